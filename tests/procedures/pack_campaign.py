"""Charge and capacity on simulated benches in memory, each figure beside the truth the simulator knows.

As a program it prints the table: ``python tests/procedures/pack_campaign.py porch none 1 2 3``.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from harness.clock import VirtualClock
from harness.procedure import procedures
from harness.result import Result
from harness.run import Home, Job, prepare, run
from sims.bench import SimBench
from sims.rate_truth import true_rate_figures
from sims.scenario import Scenario, drawn, load_scenario
from sims.truth import true_figures

CHARGE_THEN_CAPACITY = (("charge", ()), ("capacity", ("charge_first=false",)))
CAPACITY = (("capacity", ()),)
Sets = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One figure beside the truth."""

    name: str
    found: float
    doubt: float
    truth: float
    unit: str

    @property
    def ratio(self) -> float:
        """How far off, in expanded uncertainties."""
        return abs(self.found - self.truth) / self.doubt


@dataclass(frozen=True, slots=True)
class Night:
    """What a bench was asked, what came of it, and the bench itself."""

    sim: SimBench
    results: tuple[Result, ...]

    @property
    def rows(self) -> list[Row]:
        """Every figure found that has a truth; the last procedure that gives a figure counts."""
        facts = self.sim.facts
        truth = {**true_figures(facts), **true_rate_figures(facts)}
        found = {}
        for result in self.results:
            for name, one in result.figures.items():
                if name in truth:
                    assert one.expanded_uncertainty is not None
                    assert one.unit == truth[name].unit
                    value = float(truth[name].value)
                    found[name] = Row(name, float(one.value), one.expanded_uncertainty, value, one.unit)
        return list(found.values())


def scenario(name: str, seed: int | None) -> Scenario:
    """The scenario as ``open_bench`` would draw it."""
    nominal = load_scenario(name)
    return nominal if seed is None else drawn(nominal, seed=seed)


def night(
    facts: Scenario,
    out: Path,
    *,
    seed: int | None = None,
    jobs: Iterable[tuple[str, Sets]] = CHARGE_THEN_CAPACITY,
    only: Sets = ("supply", "load", "meter", "thermometer"),
    swap: dict[str, str] | None = None,
    meddle: Callable[[SimBench], None] = lambda sim: None,
) -> Night:
    """Run ``jobs`` one after the other on one bench with the instruments ``only``; texts of its files replaced.
    ``meddle`` does something to the bench before the first of them."""
    clock = VirtualClock()
    sim = SimBench(facts, now=clock.now, seed=seed)
    bench = sim.bench_toml({name: f"sim:{facts.name}/{name}" for name in only})
    for old, new in (swap or {}).items():
        assert old in bench, old
        bench = bench.replace(old, new)
    (out / "bench.toml").write_text(bench, encoding="utf-8")
    (out / "pack.toml").write_text(sim.pack_toml(), encoding="utf-8")
    meddle(sim)
    results = []
    for name, sets in jobs:
        job = Job(procedures()[name], out / "bench.toml", out / "pack.toml", sets, out / "runs", home=Home(clock, sim))
        results.append(run(prepare(job)).result)
    return Night(sim, tuple(results))


def table(rows: Iterable[Row]) -> str:
    """Figure, found, U, truth, |difference| / U."""
    lines = [f"{'figure':<14} {'found':>12} {'U':>10} {'truth':>12} {'|diff|/U':>9}"]
    for row in rows:
        lines.append(f"{row.name:<14} {row.found:12.6f} {row.doubt:10.6f} {row.truth:12.6f} {row.ratio:9.3f}")
    return "\n".join(lines)


def main(words: list[str]) -> None:
    """``SCENARIO SEED...``; a seed is a number or ``none``."""
    for word in words[1:]:
        seed = None if word == "none" else int(word)
        with tempfile.TemporaryDirectory() as folder:
            os.environ["NIGHTBENCH_STATE"] = folder
            made = night(scenario(words[0], seed), Path(folder), seed=seed)
        print(f"{words[0]}, seed {word}: {'; '.join(result.end_reason for result in made.results)}")
        print(table(made.rows), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
