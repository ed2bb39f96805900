"""The largest load at which floor and current are proven, and what stands in the way of a larger one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import msgspec

from harness.channels import figure
from harness.result import Figure
from harness.uncertainty import BudgetLine
from procedures.fit_doubt import Bound, Doubted, number
from procedures.fit_facts import Facts
from procedures.fit_margins import Margin, discharge_margin, floor_margin

STEPS = 50
HALVINGS = 10


@dataclass(frozen=True, slots=True)
class Cap:
    """``figure`` (W): the largest load, None when not even the smallest is proven; ``binds``: why no larger one."""

    figure: Figure | None
    binds: str
    runs: tuple[str, ...] = ()
    settles: str = ""


def largest_load(facts: Facts, about: Doubted, runtime_s: Callable[[float], float]) -> Cap:
    """By rated load, the floor's margin and the current, whichever ends first. A bound where evidence ends first."""
    rated = facts.ups.rated_w

    def holds(load_w: float) -> bool:
        return _in_the_way(facts, about, load_w, runtime_s) is None

    if about.case.ups is None:
        return Cap(None, facts.why("floor"), settles="a voltage-floor run that ends by cut-off")
    if holds(rated):
        lines = [BudgetLine("files", 0.0, "W", "the label's number")]
        made = figure(rated, "W", lines, "the UPS's rated load: pack and floor allow it")
        return Cap(made, "the UPS's own rating", _proofs(facts, about, rated, runtime_s))
    good = next((w for w in (rated * n / STEPS for n in range(STEPS - 1, 0, -1)) if holds(w)), 0.0)
    bad = good + rated / STEPS
    for _ in range(HALVINGS):
        middle = 0.5 * (good + bad)
        good, bad = (middle, bad) if holds(middle) else (good, middle)
    hurdle = _in_the_way(facts, about, bad, runtime_s)
    assert hurdle is not None
    if not good > rated / STEPS / 2:
        # What stands in the way of a fraction of a watt helps nobody: that of the largest load that may come does.
        hurdle = _in_the_way(facts, about, facts.worst_w, runtime_s) or hurdle
        return Cap(None, hurdle.why, hurdle.runs, hurdle.settles)
    runs = (*_proofs(facts, about, good, runtime_s), *hurdle.runs)
    return Cap(_watts(about, good), hurdle.why, runs, hurdle.settles)


def _proofs(facts: Facts, about: Doubted, load_w: float, runtime_s: Callable[[float], float]) -> tuple[str, ...]:
    """Runs on which it rests that ``load_w`` is carried."""
    return (*floor_margin(facts, about, load_w).runs, *discharge_margin(facts, about, load_w, runtime_s).runs)


def _in_the_way(facts: Facts, about: Doubted, load_w: float, runtime_s: Callable[[float], float]) -> Margin | None:
    floor = floor_margin(facts, about, load_w)
    if floor.word != "pass":
        return floor
    current = discharge_margin(facts, about, load_w, runtime_s)
    return None if current.word == "pass" else current


def _watts(about: Doubted, load_w: float) -> Figure:
    """A doubt about the current at this load is one about the load itself, by the slope between the two.

    It is a bound whatever binds: a load at which a margin only just passes leaves that margin's own doubt unused.
    """

    def amps(case_w: float) -> float:
        assert about.case.ups is not None
        return about.case.ups.amps(case_w)

    slope = (amps(load_w * 1.01) - amps(load_w * 0.99)) / (0.02 * load_w)
    found = number(lambda case: case.ups.amps(load_w) if case.ups else 0.0, about, unit="A", basis="")
    lines = [BudgetLine(line.source, line.standard_uncertainty / abs(slope), "W", line.basis) for line in found.budget]
    bound: Bound = "at least"
    words = "largest load at which the floor's margin and the current hold, doubts taken off"
    return msgspec.structs.replace(figure(load_w, "W", lines, words), bound=bound)
