"""One step of constant current: how it ends, what is read off it, and what is left out when samples are too few."""

from __future__ import annotations

import math

import pytest

from procedures.step_figures import missing
from procedures.step_fold import END_VOLTS, HELD, LOAD_LIMITED, PACK_OPENED, StepFold, between


def stepped(*, every_s: float = 0.1, opens_s: float = math.inf, short: float = 1.0, falls_v_per_s: float = 0.0,
            set_amps: float = 10.0, lost: tuple[float, float] = (-9.0, -9.0)) -> StepFold:  # fmt: skip
    """26 V at rest; 40 mohm at once and 4 mohm more with a time constant of 20 s; switched on at 100 s."""
    fold = StepFold(set_amps=set_amps, step_s=60.0, end_v=20.0, nominal_volts=25.6)
    for number in range(20):
        fold.rest(98.0 + 0.1 * number, 0.001, 26.0, temp_c=22.0)
    fold.switched(100.0)
    t = 100.0
    while not fold.decided and t < 170.0:
        t += every_s
        after = t - 100.0
        amps = short * set_amps if after < opens_s else 0.0
        volts = 26.0 - amps * (0.040 + 0.004 * (1 - math.exp(-after / 20.0))) - falls_v_per_s * after
        if lost[0] <= after <= lost[1]:
            amps = volts = math.nan
        fold.push(t, amps, volts if amps > 0 or amps != amps else 0.0, temp_c=22.0 + after / 60.0)
    return fold


def test_held() -> None:
    fold = stepped()
    assert fold.step_end == HELD
    assert fold.held_s == pytest.approx(60.0, abs=0.11)
    assert fold.min_v == pytest.approx(26.0 - 0.4 - 0.04 * (1 - math.exp(-3)), abs=1e-3)
    for after_s in (1.0, 10.0):
        volts, amps = fold.drop(after_s)
        assert volts / amps == pytest.approx(0.040 + 0.004 * (1 - math.exp(-after_s / 20.0)), rel=2e-4)
        assert missing(fold, "r_1s_ohm" if after_s == 1.0 else "r_10s_ohm") == ""


def test_opened_between_two_samples() -> None:
    fold = stepped(opens_s=5.04, every_s=0.1)
    assert fold.step_end == PACK_OPENED
    assert fold.opened_s == pytest.approx(5.05, abs=0.05)
    assert fold.opened_half_s == pytest.approx(0.05)
    assert abs(fold.opened_s - 5.04) <= fold.opened_half_s + 1e-9
    assert missing(fold, "r_1s_ohm") == ""
    assert missing(fold, "r_10s_ohm") == "pack opened after 5.0 s"


def test_end_volts() -> None:
    fold = stepped(falls_v_per_s=0.2)
    assert fold.step_end == END_VOLTS
    assert fold.held_s == pytest.approx((6.0 - 0.44) / 0.2, abs=0.6)
    assert math.isnan(fold.opened_s)


def test_a_load_that_does_not_give_what_it_was_asked() -> None:
    fold = stepped(short=0.9)
    assert fold.step_end == LOAD_LIMITED
    assert fold.held_s == pytest.approx(1.0, abs=0.2)


def test_a_load_that_gives_a_little_less_is_not_limited() -> None:
    assert stepped(short=0.98).step_end == HELD


def test_one_sample_a_second_leaves_the_first_second_out() -> None:
    fold = stepped(every_s=1.0)
    assert fold.step_end == HELD
    assert missing(fold, "r_1s_ohm") == "a sample every 1.00 s only, 0.1 s wanted"
    assert missing(fold, "r_10s_ohm") == ""


def test_samples_lost_where_they_are_wanted() -> None:
    assert missing(stepped(lost=(8.0, 12.0)), "r_10s_ohm") == "no sample near 10 s"
    assert missing(stepped(lost=(0.5, 1.3)), "r_1s_ohm") == "no sample near 1 s"


def test_without_volts_before_the_step() -> None:
    fold = StepFold(set_amps=10.0, step_s=2.0, end_v=20.0, nominal_volts=25.6)
    fold.switched(0.0)
    for number in range(1, 30):
        fold.push(0.1 * number, 10.0, 25.6)
    assert fold.step_end == HELD
    assert missing(fold, "r_1s_ohm") == "no volts were read in the second before the step"


def test_the_offset_of_the_ammeter_is_taken_off() -> None:
    fold = stepped()
    assert fold.drop(1.0)[1] == pytest.approx(9.999)


def test_straight_lines_between_samples() -> None:
    points = [(0.0, 1.0), (2.0, 3.0), (2.0, 5.0), (4.0, 5.0)]
    assert between(points, 1.0) == pytest.approx(2.0)
    assert between(points, 2.0) == 3.0
    assert between(points, 3.0) == pytest.approx(5.0)
    assert math.isnan(between(points, -1.0))
    assert math.isnan(between(points, 4.5))
    assert math.isnan(between([], 1.0))
