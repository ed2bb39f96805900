"""Instruments that take their time: what is read meanwhile is not yet what was set, and samples lie further apart.

Ours, invented: a supply whose volts were still those of the level before in the first row of a level made a restart one
level too low, with an uncertainty of some millivolts; a load that took a third of a second to come to its current made
a mean current five per cent too low, known to three tenths of a per cent.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from shaped import Ran, ran

from sims.manners import Manners
from sims.scenario import Scenario, load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")


def nearly_empty() -> Scenario:
    nominal = load_scenario("porch")
    return replace(nominal, pack=replace(nominal.pack, start_share=(0.021,) * 4))


def far(one: Ran, other: Ran, name: str) -> float:
    """Difference of a figure of two runs, in the doubt that the first states."""
    mine, its = one.result.figures[name], other.result.figures[name]
    return abs(float(mine.value) - float(its.value)) / (mine.expanded_uncertainty or 0.0)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    return ran(tmp_path_factory.mktemp("plain"), nearly_empty(), "capacity", sets=SETS)


@pytest.mark.parametrize("settle_s", [0.0, 0.1, 0.3])
def test_a_restart_lies_between_two_levels_however_long_they_take(settle_s: float, tmp_path: Path) -> None:
    facts = load_scenario("porch")
    one = ran(tmp_path, facts, "voltage-floor", manners={"supply": Manners(settle_s=settle_s)})
    assert one.done.exit_code == 0, one.result.end_reason
    figure, truth = one.result.figures["restart_v"], facts.ups.spec.restart_v
    assert abs(float(figure.value) - truth) <= (figure.expanded_uncertainty or 0.0)


@pytest.mark.parametrize("name", ["mean_v", "rate_it", "capacity_ah"])
@pytest.mark.parametrize(
    ("who", "habit"), [("load", Manners(settle_s=0.3)), ("supply", Manners(reply_delay_s=0.7))], ids=["settles", "slow"]
)
def test_what_goes_by_between_samples_is_in_doubt(
    who: str, habit: Manners, name: str, plain: Ran, tmp_path: Path
) -> None:
    one = ran(tmp_path, nearly_empty(), "capacity", manners={who: habit}, sets=SETS)
    assert one.done.exit_code == 0, one.result.end_reason
    assert far(one, plain, name) <= 1.0
