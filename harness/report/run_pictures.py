"""The plots of a run: each maker looks at the facts and makes its picture, or none where there is nothing to see."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.report.facts import RunFacts
from harness.report.picture_budget import budgets
from harness.report.picture_charge import volts_over_charge
from harness.report.picture_charger import charger_curve
from harness.report.picture_floor import staircase
from harness.report.picture_runtime import runtime_of
from harness.report.picture_steps import sag, steps
from harness.report.picture_time import over_time
from harness.report.plots import Picture

Maker = Callable[[RunFacts], Picture | None]

MAKERS: dict[str, Maker] = {
    "over-time": over_time,
    "volts-over-charge": volts_over_charge,
    "staircase": staircase,
    "charger-curve": charger_curve,
    "steps": steps,
    "sag": sag,
    "runtime": runtime_of,
}
"""Name of a plot and of its data -> who makes it, in the order of the page; bars of uncertainty follow."""


def run_pictures(facts: RunFacts) -> Iterator[Picture]:
    """All there are for this run."""
    for make in MAKERS.values():
        picture = make(facts)
        if picture is not None:
            yield picture
    yield from budgets(facts)
