"""The demo on many drawn benches: every figure beside its truth, and the verdict beside the true one.

As a program it prints the table: ``python tests/harness/demo_seeds.py 1 2 3``.
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.demo import SCENARIO, demo
from harness.job import Watcher
from harness.result import Figure
from harness.sequence import judged
from harness.verdict import Judgement
from sims.bench import open_bench

SHARE_WITHIN = 0.93
MOST_RATIO = 3.0


@dataclass(frozen=True, slots=True)
class Row:
    """One figure beside its truth; ``ratio``: how far off, in expanded uncertainties, 0 on a bound's own side."""

    seed: int
    name: str
    found: Figure
    truth: float

    @property
    def ratio(self) -> float:
        expanded = self.found.expanded_uncertainty
        if isinstance(self.found.value, bool) or expanded is None:
            return 0.0 if float(self.found.value) == self.truth else math.inf
        off = float(self.found.value) - self.truth
        sided = {"at least": max(off, 0.0), "at most": max(-off, 0.0)}.get(self.found.bound, abs(off))
        return sided / expanded if expanded else (0.0 if sided == 0.0 else math.inf)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What came of one seed: ``ended`` is the outcome of each run."""

    seed: int
    ended: tuple[str, ...]
    rows: tuple[Row, ...]
    verdict: Judgement | None
    true: dict[str, Any]

    @property
    def contradicts(self) -> bool:
        """A sure word that the truth says otherwise; "cannot tell" and a condition more are none."""
        said = self.verdict.verdict if self.verdict else "cannot tell"
        if said == "cannot tell":
            return False
        return (said == "does not fit") != (self.true["verdict"] == "does not fit")


def draw(seed: int, out: Path) -> Drawn:
    """Run the demo in memory on the bench of ``seed``."""
    done = list(demo(wire="memory", seed=seed, out=out, watcher=Watcher()))
    made = judged("fit", done)
    sim = open_bench(SCENARIO, now=lambda: 0.0, seed=seed)
    truth = sim.truth()
    found: dict[str, Figure] = {}
    # The truth is that of the first charge, and of the discharge at the usual rate, which is the first one too.
    for result in [one.result for one in done]:
        for name, figure in result.figures.items():
            found.setdefault(name, figure)
    if made is not None:
        found |= made.figures
        for entry in made.lists["runtime_s"]:
            runtime = entry.get("runtime_s")
            if entry["load_w"] == sim.facts.site.load_w and isinstance(runtime, Figure):
                found["runtime_s"] = runtime
    rows = tuple(Row(seed, name, one, float(truth[name]["value"])) for name, one in found.items() if name in truth)
    true = sim.true_verdict()
    assert true is not None
    return Drawn(seed, tuple(f"{one.result.procedure}: {one.result.end_reason}" for one in done), rows, made, true)


def drawn(seeds: Iterable[int]) -> Iterator[Drawn]:
    """One after the other, each in a folder of its own that is gone afterwards."""
    for seed in seeds:
        with tempfile.TemporaryDirectory() as out:
            yield draw(seed, Path(out))


def table(every: Iterable[Drawn]) -> Iterator[str]:
    """One line a seed, then every figure that is off, then the counts."""
    rows: list[Row] = []
    for one in every:
        rows += one.rows
        said = one.verdict.verdict if one.verdict else "no verdict"
        line = next((x for x in one.verdict.lines if one.verdict and x.verdict in ("fail", "cannot tell")), None) \
            if one.verdict else None  # fmt: skip
        why = f" ({line.about})" if line else ""
        mark = "  CONTRADICTS" if one.contradicts else ""
        yield f"seed {one.seed:>3}  {said}{why}  | true: {one.true['verdict']} {one.true['decides']}{mark}"
        if one.verdict is None:
            yield f"          ended: {one.ended[-1]}"
        for row in one.rows:
            if row.ratio > 1.0:
                value = f"{row.found.bound} {float(row.found.value):.6g} +/- {row.found.expanded_uncertainty:.3g}"
                yield f"          {row.name} {value}, true {row.truth:.6g}, ratio {row.ratio:.2f}"
    within = sum(row.ratio <= 1.0 for row in rows)
    yield f"{within} of {len(rows)} figures within ({100 * within / len(rows):.1f} %)"
    yield f"largest ratio {max(row.ratio for row in rows):.2f}"


if __name__ == "__main__":
    for text in table(drawn(map(int, sys.argv[1:]))):
        print(text, flush=True)
