"""Points, branches and stages of a charger, and a supply's node that is driven."""

from __future__ import annotations

import math

import pytest

from procedures.ceiling_fold import ChargePoint, DrivenFold, PointFold, branches, cc_branch, largest_a, stages
from procedures.line import Line, line_through

# -- one point ---------------------------------------------------------------------------------------------------------


def pointed(*, off: tuple[float, float] = (-1.0, -1.0), falls_s: float = math.inf, least_a: float = 0.05,
            until_s: float = 120.0, **more: float) -> PointFold:  # fmt: skip
    """A charger giving 0.9 A at 27.2 V, off between the two times, its volts falling by 1.2 V at ``falls_s``."""
    fold, t = PointFold(0.0, 4.0, least_a=least_a, **more), 0.0
    while not fold.done and t < until_s:
        t += 0.5
        gone = off[0] <= t < off[1]
        volts = 26.0 if t >= falls_s else 27.2
        fold.push(t, 3.0 if gone else volts + 0.001 * (-1) ** round(2 * t), 0.0 if gone else 0.9)
        fold.push(t, math.nan, 0.9)
    return fold


def test_the_second_half_of_the_dwell_counts() -> None:
    fold = pointed()
    assert fold.point is not None
    assert fold.point.volts == pytest.approx(27.2, abs=0.0005)
    assert fold.point.amps == pytest.approx(0.9)
    assert fold.point.t_s == 4.0
    assert fold.lost_s == 0.0


def test_seconds_of_a_self_test_are_discarded() -> None:
    fold = pointed(off=(2.0, 9.9))
    assert fold.point is not None
    assert fold.point.volts == pytest.approx(27.2, abs=0.0005)
    assert fold.lost_s == pytest.approx(8.0, abs=0.6)
    assert fold.point.t_s == pytest.approx(14.0, abs=0.6)


@pytest.mark.parametrize("at_s", [1.0, 2.5, 3.0, 4.0])
@pytest.mark.parametrize("volts", [16.0, 30.0])
@pytest.mark.parametrize("drop_v", [0.24, math.inf])
def test_one_wrong_reading_is_neither_a_stage_nor_in_the_point(at_s: float, volts: float, drop_v: float) -> None:
    # Ours: a dip of one sample made a boost of 27.5065 V and a float of 27.5066 V out of a charger with one stage.
    fold, t = PointFold(0.0, 4.0, least_a=0.05, drop_v=drop_v), 0.0
    while not fold.done:
        t += 0.5
        fold.push(t, volts if t == at_s else 27.2, 0.9)
    assert fold.point is not None
    assert fold.point.volts == pytest.approx(27.2, abs=1e-9)
    assert not fold.fell
    assert fold.point.t_s <= 4.5


def test_a_charger_that_stays_off_makes_an_empty_point() -> None:
    fold = pointed(off=(1.0, 1000.0), off_most_s=20.0)
    assert fold.empty
    assert fold.done
    assert fold.point is None


def test_without_a_least_current_nothing_is_a_reading_too() -> None:
    fold = pointed(off=(0.0, 1000.0), least_a=0.0)
    assert fold.point is not None
    assert fold.point.amps == 0.0


def test_a_fall_by_a_stage_begins_the_dwell_anew() -> None:
    fold = pointed(falls_s=2.0, drop_v=0.24)
    assert fold.point is not None
    assert fold.point.fell
    assert fold.point.volts == pytest.approx(26.0, abs=0.0005)
    assert fold.point.t_s == 6.0


def test_a_rise_by_a_stage_begins_the_dwell_anew_too() -> None:
    """After a self-test the supply beside the load holds the node until the charger is back."""
    fold = PointFold(0.0, 4.0, least_a=0.05, drop_v=0.24)
    for number in range(1, 40):
        t = 0.5 * number
        fold.push(t, 23.5 if t < 3.0 else 27.2, 0.5)
    assert fold.point is not None
    assert not fold.fell
    assert (fold.point.volts, fold.point.t_s) == (pytest.approx(27.2), 7.0)


def test_pulses_are_no_current() -> None:
    """A charger that sees no battery gives 50 ms now and then: none of it lasts a dwell."""
    fold = PointFold(0.0, 4.0, least_a=0.05, off_most_s=20.0)
    for number in range(1, 200):
        fold.push(0.5 * number, 24.0, 0.9 if number % 4 == 0 else 0.0)
    assert fold.empty
    assert fold.point is None


def test_no_rows_no_point() -> None:
    assert PointFold(0.0, 4.0).point is None


# -- branches ----------------------------------------------------------------------------------------------------------


def charger(volts: float, *, ceiling_v: float = 27.3, ohm: float = 0.06, limit_a: float = 0.9) -> ChargePoint:
    """A charger with pre-charge under 20 V, read exactly."""
    amps = 0.2 if volts < 20 else max(0.0, min(limit_a, (ceiling_v - volts) / ohm))
    return ChargePoint(volts, amps)


CURVE = [charger(v) for v in (18.0, 19.0, 22.0, 24.0, 26.0, 27.0, 27.25, 27.26, 27.27, 27.28, 27.29, 27.31)]


def test_both_branches() -> None:
    found = branches(CURVE)
    assert [one.volts for one in found.cc] == [22.0, 24.0, 26.0, 27.0]
    assert [one.volts for one in found.cv] == pytest.approx([27.25, 27.26, 27.27, 27.28, 27.29])
    assert found.line is not None
    assert found.line.intercept == pytest.approx(27.3)
    assert found.line.slope == pytest.approx(-0.06)
    assert found.charge_a == pytest.approx(0.9)
    assert found.knee_v == pytest.approx(27.3 - 0.06 * 0.9)


def test_a_point_in_the_knee_is_on_neither_branch() -> None:
    knee = ChargePoint(27.249, 0.9 * 0.97)
    assert branches([*CURVE, knee]).cc == branches(CURVE).cc
    assert branches([*CURVE, knee]).cv == branches(CURVE).cv


def test_two_points_are_no_line() -> None:
    assert branches(CURVE[:8]).line is None
    assert math.isnan(branches(CURVE[:8]).knee_v)


def test_volts_that_rise_with_current_are_no_line() -> None:
    wrong = [ChargePoint(27.1 + 0.1 * n, 0.1 + 0.1 * n) for n in range(5)]
    assert branches([ChargePoint(26.0, 0.9), *wrong]).line is None


def test_no_points_no_branches() -> None:
    assert branches([]).line is None
    assert math.isnan(branches([]).charge_a)
    assert cc_branch([ChargePoint(20.0, 0.0)]) == ()
    assert largest_a([]) == 0.0


def test_boost_and_float_are_told_apart() -> None:
    boost = [charger(v, ceiling_v=28.8) for v in (24.0, 26.0, 28.0, 28.74, 28.76, 28.78)]
    float_ = [charger(v) for v in (27.25, 27.27, 27.29)]
    found = stages([*boost, *float_], drop_v=0.24)
    assert [len(stage) for stage in found] == [6, 3]
    assert stages(CURVE, drop_v=0.24) == [CURVE]
    assert stages([], drop_v=0.24) == []


def test_going_back_to_see_whether_it_still_gives_is_no_stage() -> None:
    points = [charger(v) for v in (24.0, 26.0, 27.0)]
    assert len(stages([*points, charger(27.0), charger(27.25)], drop_v=0.24)) == 1


def test_more_current_on_a_soft_charger_is_no_stage() -> None:
    """0.5 ohm: from a tenth to nine tenths of 0.9 A its volts go down by 0.36 V, and that is its line."""
    soft = [charger(v, ohm=0.5) for v in (24.0, 26.0, 27.2, 26.9)]
    assert len(stages(soft, drop_v=0.24)) == 1


# -- the line ----------------------------------------------------------------------------------------------------------


def test_the_line_and_what_is_known_of_it() -> None:
    """y = 1, 3, 2, 5, 4 over x = 0 .. 4, by hand: slope 0.8, intercept 1.4, residuals' squares 3.6 over 3."""
    line = line_through([(0.0, 1.0), (1.0, 3.0), (2.0, 2.0), (3.0, 5.0), (4.0, 4.0)])
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((0.8, 1.4))
    assert line.scatter == pytest.approx(math.sqrt(1.2))
    assert line.dof == 3
    wide = math.sqrt(3.0)
    assert line.u_slope == pytest.approx(wide * math.sqrt(1.2 / 10))
    assert line.u_at(0.0) == pytest.approx(wide * math.sqrt(1.2 * (1 / 5 + 4 / 10)))
    assert line.at(2.0) == pytest.approx(3.0)


def test_too_few_points() -> None:
    assert line_through([(1.0, 2.0)]) is None
    assert line_through([(1.0, 2.0), (1.0, 3.0)]) is None
    line = line_through([(0.0, 1.0), (1.0, 2.0)])
    assert line == Line(1.0, 1.0, 0.0, 2, 0.5, 0.5)
    assert line.dof is None


# -- driven ------------------------------------------------------------------------------------------------------------


def test_a_driven_node_that_stands_still() -> None:
    fold = DrivenFold(length_s=10.0, band_v=0.01)
    for t in range(30):
        fold.push(float(t), 27.0 + 0.02 * min(t, 14), "driven" if t > 3 else "cv")
        assert fold.steady == (t >= 23)
    assert fold.mean_v == pytest.approx(27.28)


def test_a_node_that_is_not_driven_is_nobodys() -> None:
    fold = DrivenFold()
    for t in range(30):
        fold.push(float(t), 27.3, "cv" if t == 25 else "driven")
        fold.push(float(t), math.nan, "driven")
    assert not fold.steady
    assert math.isnan(DrivenFold().mean_v)
