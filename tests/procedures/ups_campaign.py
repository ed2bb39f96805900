"""The whole job on simulated benches in memory, pack and UPS to verdict, each figure beside the truth the world knows.

As a program it prints a table, one line a bench: ``python tests/procedures/ups_campaign.py cabinet 1 2 3``.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from harness.clock import VirtualClock
from harness.errors import UserError
from harness.job import Done, Home, Watcher
from harness.result import Figure
from harness.sequence import Asked, Place, in_order, judged, run_sequence
from harness.verdict import Judgement
from sims.bench import SimBench
from sims.fit_truth import true_hold_up
from sims.scenario import Scenario, drawn, load_scenario
from sims.ups_truth import true_ups_figures
from sims.verdict_truth import TrueVerdict, true_verdict

BEYOND = 3.0
"""No figure may be so many expanded uncertainties off."""

SHARE_INSIDE = 0.93
"""Of all figures at least this share lies within its expanded uncertainty."""

CANNOT_TELL = "cannot tell"

UNSEEN = ("charging when cold", "volts of the full pack")
"""Rules that hang on what these runs do not do: no charge in the cold, no level above the UPS's float."""

MARGINS = {
    "charge current": "charge_current_margin_a",
    "floor margin": "floor_margin_v",
    "discharge current": "discharge_current_margin_a",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One figure beside the truth. A bound is off only on the side it denies; a fact has no uncertainty."""

    name: str
    found: float | bool
    doubt: float
    truth: float | bool
    unit: str
    bound: str = ""

    @property
    def ratio(self) -> float:
        """How far off, in expanded uncertainties; infinite for a wrong fact."""
        if isinstance(self.truth, bool) or isinstance(self.found, bool):
            return 0.0 if self.found is self.truth else float("inf")
        off = self.found - self.truth
        off = {"at least": max(off, 0.0), "at most": max(-off, 0.0)}.get(self.bound, abs(off))
        return off / self.doubt if self.doubt > 0.0 else (0.0 if off == 0.0 else float("inf"))


@dataclass(frozen=True, slots=True)
class Job:
    """What came of one bench."""

    seed: int | None
    facts: Scenario
    done: tuple[Done, ...]
    judgement: Judgement | None
    rows: tuple[Row, ...] = field(default_factory=tuple)
    refused: str = ""

    @property
    def truth(self) -> TrueVerdict:
        """What is so."""
        made = true_verdict(self.facts)
        assert made is not None
        return made

    @property
    def outside(self) -> list[Row]:
        """Figures off by more than their expanded uncertainty."""
        return [row for row in self.rows if not row.ratio <= 1.0]

    @property
    def found(self) -> str:
        """The class that was found, or how the runs ended that left none."""
        if self.judgement is not None:
            return self.judgement.verdict
        return self.refused or "; ".join(f"{one.result.procedure}: {one.result.end_reason}" for one in self.done[-1:])

    @property
    def doubts(self) -> list[str]:
        """Rules of which nothing could be told."""
        lines = self.judgement.lines if self.judgement is not None else ()
        return [line.about for line in lines if line.verdict == CANNOT_TELL]

    @property
    def unexplained(self) -> list[str]:
        """Doubts without a reason: the margin is a number, no bound, and beyond its uncertainty."""
        return [about for about in self.doubts if about not in UNSEEN and not self._near(about)]

    def _near(self, about: str) -> bool:
        """Whether nothing more could be told: the margin is within its uncertainty, only a bound, or not there."""
        figures, site = self._figures(), self.facts.site
        match about:
            case "charge volts":
                figure, least = figures.get("ceiling_v"), self.facts.pack.charge_volts_max
            case "runtime":
                figure, least = self._runtime(site.load_w), 60.0 * site.runtime_needed_min
            case "largest load":
                figure, least = figures.get("load_w_max"), site.load_w_max
            case _:
                figure, least = figures.get(MARGINS.get(about, about)), 0.0
        if figure is None or figure.bound:
            return True
        return abs(float(figure.value) - least) <= (figure.expanded_uncertainty or 0.0)

    def _figures(self) -> dict[str, Figure]:
        made = {name: figure for one in self.done for name, figure in one.result.figures.items()}
        return made | dict(self.judgement.figures if self.judgement else {})

    def _runtime(self, load_w: float) -> Figure | None:
        for entry in self.judgement.lists.get("runtime_s", ()) if self.judgement else ():
            made = entry.get("runtime_s")
            if entry["load_w"] == load_w and isinstance(made, Figure):
                return made
        return None

    @property
    def right(self) -> bool:
        """Whether the class is the true one, or nothing is said and there is a reason for every doubt."""
        if self.found == self.truth.verdict:
            return not self.wrong_lines
        return self.found == CANNOT_TELL and not self.unexplained and not self.wrong_lines

    @property
    def wrong_lines(self) -> list[str]:
        """Rules found to pass that fail in truth, or the other way round."""
        true = {line.about: line.verdict == "fail" for line in self.truth.lines}
        lines = self.judgement.lines if self.judgement is not None else ()
        told = [line for line in lines if line.about in true and line.verdict not in (CANNOT_TELL, "not judged")]
        return [line.about for line in told if (line.verdict == "fail") is not true[line.about]]


def scenario(name: str, seed: int | None) -> Scenario:
    """The scenario as ``open_bench`` would draw it."""
    nominal = load_scenario(name)
    return nominal if seed is None else drawn(nominal, seed=seed)


def _placed(facts: Scenario, out: Path, *, seed: int | None) -> tuple[SimBench, Place]:
    """A bench in memory, and its files in ``out``."""
    clock = VirtualClock()
    sim = SimBench(facts, now=clock.now, seed=seed)
    addresses = {name: f"sim:{facts.name}/{name}" for name in sim.names}
    for name, text in (("bench", sim.bench_toml(addresses)), ("pack", sim.pack_toml()), ("ups", sim.ups_toml())):
        (out / f"{name}.toml").write_text(text, encoding="utf-8")
    return sim, Place(out / "bench.toml", out / "pack.toml", out / "ups.toml", out / "runs", Home(clock, sim))


def whole_job(facts: Scenario, out: Path, *, seed: int | None = None) -> Job:
    """Every run of the sequence in order on one bench, and the verdict; files and runs go into ``out``."""
    sim, place = _placed(facts, out, seed=seed)
    sequence = run_sequence("qualify")
    done: list[Done] = []
    why = ""
    try:
        done.extend(in_order(place, place.steps(sequence), Watcher()))
    except UserError as error:
        why = str(error)
    judgement = None if why else judged(sequence.verdict, done)
    return Job(seed, facts, tuple(done), judgement, tuple(_rows(facts, sim, done, judgement)), why)


def ups_rows(facts: Scenario, out: Path, *, seed: int | None = None) -> list[Row]:
    """The runs on the UPS alone."""
    _, place = _placed(facts, out, seed=seed)
    truth = true_ups_figures(facts)
    done = in_order(place, [Asked("voltage-floor"), Asked("charge-ceiling")], Watcher())
    found = {name: figure for one in done for name, figure in one.result.figures.items() if name in truth}
    return [_row(name, figure, truth[name].value) for name, figure in found.items()]


def _rows(facts: Scenario, sim: SimBench, done: Iterable[Done], judgement: Judgement | None) -> Iterator[Row]:
    """Of runs that give a figure twice the first counts: it is the one under the conditions the truth is told for."""
    truth, found = sim.truth(), {}
    for one in done:
        for name, figure in one.result.figures.items():
            if name in truth:
                found.setdefault(name, figure)
    for name, figure in (found | dict(judgement.figures if judgement else {})).items():
        assert figure.unit == truth[name]["unit"], name
        yield _row(name, figure, truth[name]["value"])
    for entry in judgement.lists.get("runtime_s", ()) if judgement else ():
        made, load_w = entry.get("runtime_s"), entry["load_w"]
        if isinstance(made, Figure) and isinstance(load_w, float | int):
            yield _row(f"runtime_s at {load_w:g} W", made, true_hold_up(facts, float(load_w)).seconds)


def _row(name: str, figure: Figure, value: object) -> Row:
    assert isinstance(value, bool | float | int)
    return Row(name, figure.value, figure.expanded_uncertainty or 0.0, value, figure.unit, figure.bound)


WIDTHS = "{:>4}  {:<21} {:<20} {:<21} {:>3} {:>7}  {}"
HEAD = WIDTHS.format("seed", "true class", "decided by", "found class", "n", "largest", "outside; doubts")


def line(job: Job) -> str:
    """One bench in one line."""
    told = [", ".join(f"{row.name} {row.ratio:.2f}" for row in job.outside) or "-"]
    told += [f"doubts: {', '.join(job.doubts)}"] if job.doubts else []
    told += [f"WITHOUT REASON: {', '.join(job.unexplained)}"] if job.unexplained else []
    told += [f"WRONG: {', '.join(job.wrong_lines)}"] if job.wrong_lines else []
    largest = max((row.ratio for row in job.rows), default=float("nan"))
    seed, true = "none" if job.seed is None else job.seed, job.truth
    return WIDTHS.format(seed, true.verdict, true.decides, job.found, len(job.rows), f"{largest:.3f}", "; ".join(told))


def by_figure(jobs: Iterable[Job]) -> str:
    """Each figure over all benches: how many, median and largest ratio, how many outside."""
    ratios: dict[str, list[float]] = {}
    for job in jobs:
        for row in job.rows:
            ratios.setdefault(row.name.partition(" at ")[0], []).append(row.ratio)
    lines = [f"{'figure':<28} {'n':>4} {'median':>7} {'largest':>8} {'outside':>7}   |found - truth| / U"]
    for name, found in sorted(ratios.items()):
        out = sum(not one <= 1.0 for one in found)
        lines.append(f"{name:<28} {len(found):4d} {statistics.median(found):7.3f} {max(found):8.3f} {out:7d}")
    every = [one for found in ratios.values() for one in found]
    inside = sum(one <= 1.0 for one in every)
    return "\n".join([*lines, f"{inside} of {len(every)} within U, {100.0 * inside / max(len(every), 1):.2f} %"])


def main(words: list[str]) -> None:
    """``SCENARIO SEED...``; a seed is a number or ``none``."""
    jobs = []
    print(HEAD)
    for word in words[1:]:
        seed = None if word == "none" else int(word)
        with tempfile.TemporaryDirectory() as folder:
            os.environ["NIGHTBENCH_STATE"] = folder
            jobs.append(whole_job(scenario(words[0], seed), Path(folder), seed=seed))
        print(line(jobs[-1]), flush=True)
    print(by_figure(jobs))


if __name__ == "__main__":
    main(sys.argv[1:])
