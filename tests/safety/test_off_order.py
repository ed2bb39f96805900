"""The order of switching off, held against every other one in every phase, by what the simulated node goes through."""

from __future__ import annotations

from pathlib import Path

import pytest
from grid_order import FIGURES, LEAST, STAGES, Cost, costs, unknown

from harness.off_order import ORDER

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")

ARGUING = ("sink", "source", "stand-in, mains on, volts", "trace, amps")
"""Phases of the ordinary suite: those of a pack, and those in which the chosen order has an argument."""

SHORT = ("sink", "source")
"""Phases whose orders are few."""

ARGUED: dict[tuple[str, str], str] = {
    ("stand-in, mains on, volts", "flowed_c"): "mains first hands the inverter's load to the leads",
    ("trace, amps", "reverse_c"): "what an idle supply bleeds",
    ("unknown", "node_v"): "a charger gone wild",
    ("unknown", "over_vs"): "a charger gone wild",
    ("unknown", "flowed_c"): "load first would move less",
}
"""Phase and figure in which another order does better -> the words of the argument in DEVELOPERS.md."""


QUICK = [one if one in ARGUING else pytest.param(one, marks=pytest.mark.slow) for one in STAGES]


@pytest.mark.parametrize("phase", QUICK)
def test_the_chosen_order_is_the_least_or_has_its_argument(phase: str) -> None:
    chosen, *others = costs(phase)
    assert others
    for figure in FIGURES:
        least = min(others, key=lambda one: getattr(one, figure))
        if not getattr(chosen, figure) <= getattr(least, figure) + LEAST[figure] / 5.0:
            assert ARGUED.get((phase, figure), "\n") in DEVELOPERS, f"{phase}: {figure}\n{chosen}\n{least}"


@pytest.mark.parametrize(
    "phase", [one if one in SHORT else pytest.param(one, marks=pytest.mark.slow) for one in STAGES]
)
def test_a_contactor_that_opens_earlier_breaks_no_less(phase: str) -> None:
    chosen, *others = costs(phase, contactor_last=False)
    assert all(one.broken_a >= chosen.broken_a - LEAST["broken_a"] for one in others)


def test_orders_do_differ() -> None:
    """The judge tells a good one from a bad one: the worst breaks the whole current, or lets it flow on."""
    assert max(one.broken_a for one in costs("sink", contactor_last=False)) > 11.0
    assert max(one.flowed_c for one in costs("source")) > 1.0
    assert max(one.node_v for one in costs("stand-in, mains on, volts")) > 32.0
    assert max(one.flowed_c for one in costs("trace, amps")) > 20.0


@pytest.mark.slow
def test_of_an_unknown_state() -> None:
    worst = unknown()
    chosen = worst[ORDER["unknown"]]
    for figure in FIGURES:
        least = min(one[figure] for one in worst.values())
        if not chosen[figure] <= least + LEAST[figure] / 5.0:
            assert ARGUED.get(("unknown", figure), "\n") in DEVELOPERS, figure


def test_every_row_of_the_table_is_played() -> None:
    """``rest`` has nothing on, and ``unknown`` is each of the others."""
    assert set(STAGES) | {"rest", "unknown"} == set(ORDER)


def test_worse_is_worse_by_more_than_nothing() -> None:
    one = Cost((), 10.0, 0.0, 0.0, 0.0, 0.0)
    assert one.worse(Cost((), 9.0, 0.0, 0.0, 0.0, 0.0)) == ("node_v",)
    assert one.worse(Cost((), 10.0, 0.0, 0.0, 0.0, 0.0)) == ()
