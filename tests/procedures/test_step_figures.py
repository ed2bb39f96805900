"""Figures of c-rate: budgets that add up, worked lines, and a reason for each that is missing."""

from __future__ import annotations

import math

import pytest
from budgets_checked import ALL, METER, SUPPLY_LOCAL, MakeSite, adds_up, u

from harness.channels import Channels
from harness.result import Figure
from harness.volts_place import VoltsPlace
from procedures import step_figures
from procedures.step_figures import Ladder
from procedures.step_fold import StepFold


def a_step(amps: float, *, opens_s: float = math.inf, every_s: float = 0.1) -> StepFold:
    """40 mohm at once, 2 mV/s of sag at 10 A from there on; half a millivolt of noise."""
    fold = StepFold(set_amps=amps, step_s=60.0, end_v=20.0, nominal_volts=25.6)
    for number in range(50):
        fold.rest(95.0 + 0.1 * number, 0.0, 26.0 + 0.0005 * (-1) ** number, temp_c=22.0)
    fold.switched(100.0)
    number = 0
    while not fold.decided:
        number += 1
        after = every_s * number
        on = after < opens_s
        volts = 26.0 - amps * (0.040 + 0.0002 * after) + 0.0005 * (-1) ** number
        fold.push(100.0 + after, amps if on else 0.0, volts if on else 0.0, temp_c=22.0 + after / 60)
    return fold


def test_a_ladder_that_ends_opened(make_site: MakeSite) -> None:
    ladder = Ladder(
        [a_step(2.0), a_step(5.0), a_step(10.0), a_step(20.0, opens_s=5.04)], Channels(make_site(*ALL), METER)
    )
    found, entries = step_figures.figures(ladder), step_figures.steps(ladder)
    adds_up(found)
    assert found["held_a_max"].value == pytest.approx(10.0)
    assert found["held_it_max"].value == pytest.approx(1.0)
    assert [entry["held"] for entry in entries] == [True, True, True, False]
    assert [entry["step_end"] for entry in entries] == ["held"] * 3 + ["pack opened"]
    assert "opened_s" not in entries[2]
    for entry in entries:
        numbers = {key: value for key, value in entry.items() if isinstance(value, Figure)}
        adds_up(numbers)
    opened = entries[3]["opened_s"]
    assert isinstance(opened, Figure)
    assert opened.value == pytest.approx(5.05)
    assert opened.expanded_uncertainty is not None
    assert abs(float(opened.value) - 5.04) <= opened.expanded_uncertainty
    assert entries[3]["r_10s_ohm"] == "not measured: pack opened after 5.0 s"
    assert step_figures.not_measured(ladder, found) == {}


def test_a_resistance_and_what_it_rests_on(make_site: MakeSite) -> None:
    """10 A: 40.2 mohm at 1 s. The meter's offset drops out, its 0.01 % stays; the load's 0.1 % and 5 mA act on the
    current; a stamp is sure to 0.1 s, in which the volts move by 0.2 mV."""
    (entry,) = step_figures.steps(Ladder([a_step(10.0)], Channels(make_site(*ALL), METER)))
    ohm = entry["r_1s_ohm"]
    assert isinstance(ohm, Figure)
    assert ohm.value == pytest.approx(0.0402, abs=0.0001)
    assert u(ohm, "meter") == pytest.approx(0.0001 * 0.402 / 10 / 3**0.5, rel=0.01)
    assert u(ohm, "load amps") == pytest.approx(0.0402 * (0.01 + 0.005) / 10 / 3**0.5, rel=0.01)
    assert u(ohm, "time stamp") == pytest.approx(0.1 * 0.002 / 10 / 3**0.5, rel=0.1)
    assert u(ohm, "scatter") == pytest.approx(0.0005 * (1 + 1 / 10) ** 0.5 / 10, rel=0.15)


def test_without_fine_samples_the_first_second_is_left_out_with_its_reason(make_site: MakeSite) -> None:
    ladder = Ladder([a_step(2.0, every_s=1.0), a_step(5.0, every_s=1.0)], Channels(make_site(*ALL), METER))
    for entry in step_figures.steps(ladder):
        assert entry["r_1s_ohm"] == "not measured: a sample every 1.00 s only, 0.1 s wanted"
        assert isinstance(entry["r_10s_ohm"], Figure)
    why = step_figures.not_measured(ladder, step_figures.figures(ladder))
    assert why == {
        "r_1s_ohm": "2 A: a sample every 1.00 s only, 0.1 s wanted; 5 A: a sample every 1.00 s only, 0.1 s wanted"
    }


def test_no_step_held(make_site: MakeSite) -> None:
    ladder = Ladder([a_step(20.0, opens_s=0.5)], Channels(make_site(*ALL), METER))
    found = step_figures.figures(ladder)
    assert found == {}
    why = step_figures.not_measured(ladder, found)
    assert why["held_a_max"] == why["held_it_max"] == "no step was held"


def test_volts_of_a_ups_are_not_called_those_of_a_pack(make_site: MakeSite) -> None:
    """Ours: a sweep on a UPS said "measured at the pack terminals"."""
    assert VoltsPlace("meter", "meter", 0.0, 0.0, "ups").words == "measured at the UPS's battery terminals by meter"
    told = Channels(make_site("supply"), SUPPLY_LOCAL).volts_basis("the floor")
    assert told == "the floor; volts at the UPS computed from supply and its declared leads of 20.0 mohm"
