"""The fold of a charge, and the fold of a rest."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.charging import END_CURRENT, NO_CURRENT, PACK_OPENED, ChargeFold
from procedures.rest import RestFold
from procedures.series import Tail, rises_to, slope_of

NAN = math.nan
KNEE_S, TAU_S, SET_V, SET_A = 600.0, 40.0, 14.4, 4.0


def state(t_s: float) -> tuple[float, float]:
    """4 A up a straight line of 2 mV/s to 14.4 V at 600 s, then exp(-t/40 s) at 14.4 V: amps in, volts."""
    if t_s < KNEE_S:
        return SET_A, SET_V - 0.002 * (KNEE_S - t_s)
    return SET_A * math.exp(-(t_s - KNEE_S) / TAU_S), SET_V


def run(*, every_s: float = 1.0, until_s: float = 900.0, drop: dict[int, tuple[float, float]] | None = None,
        offset_v: float = 0.0) -> ChargeFold:  # fmt: skip
    fold = ChargeFold(end_amps=0.4, period_s=every_s)
    for i in range(int(until_s / every_s)):
        amps, volts = (drop or {}).get(i, state(i * every_s))
        fold.push(i * every_s, -amps, volts, held_volts=volts + offset_v, temp_c=20.0 + 0.001 * i)
    return fold


def test_charge_times_and_amps_of_a_known_charge() -> None:
    # Constant current 600 s x 4 A; the tail reaches 0.4 A after tau ln 10 and runs 10 s on. By hand; what is left is
    # the trapezoid's h^2/12 and the straight line's h^2/8tau.
    fold = run()
    assert fold.end_reason == END_CURRENT
    reached = KNEE_S + TAU_S * math.log(10)
    assert fold.taper.reached_s == pytest.approx(reached, abs=0.004)
    last_s = math.ceil(reached + 10)
    assert fold.counter.last is not None
    assert fold.counter.last[0] == last_s
    exact_ah = (SET_A * KNEE_S + SET_A * TAU_S * (1 - math.exp(-(last_s - KNEE_S) / TAU_S))) / 3600
    assert fold.put_in[0] == pytest.approx(exact_ah, rel=1e-5)
    assert fold.cv_start_s == pytest.approx(KNEE_S - 0.010 / 0.002, abs=1e-6)
    assert fold.cv_s == pytest.approx(reached - 595.0, abs=0.004)
    assert fold.taper.end_amps == pytest.approx(0.4 * math.exp(-10 / TAU_S), abs=2e-4)
    assert fold.rise_v_per_s == pytest.approx(0.002, rel=1e-9)
    assert fold.fall_a_per_s == pytest.approx(-0.4 / TAU_S, rel=0.01)


@pytest.mark.parametrize("offset_v", [-0.1, -0.005, 0.003, 0.1])
def test_the_supplys_own_offset_drops_out(offset_v: float) -> None:
    assert run(offset_v=offset_v).cv_s == pytest.approx(run().cv_s, abs=1e-6)


@pytest.mark.parametrize("every_s", [0.25, 0.5, 2.0, 5.0])
def test_spacing_hardly_matters(every_s: float) -> None:
    assert run(every_s=every_s).cv_s == pytest.approx(run().cv_s, abs=every_s**2 / (8 * TAU_S) + 0.01)
    assert run(every_s=every_s).taper.end_amps == pytest.approx(run().taper.end_amps, abs=0.005)


@pytest.mark.parametrize("at", [3, 300, 599, 605, 650, 690, 694])
def test_a_pack_that_opens_at_any_time_is_not_full(at: int) -> None:
    fold = run(drop=dict.fromkeys(range(at, 900), (0.0, SET_V)))
    assert fold.end_reason == PACK_OPENED
    assert math.isnan(fold.cv_s)


@pytest.mark.parametrize("at", [0, 1, 300, 594, 595, 596, 600, 691, 692, 693, 699, 702, 703])
@pytest.mark.parametrize("what", ["amps", "volts", "both"])
def test_a_missing_value_anywhere_moves_no_figure_by_more_than_a_period(at: int, what: str) -> None:
    amps, volts = state(float(at))
    fold = run(drop={at: (amps if what == "volts" else NAN, volts if what == "amps" else NAN)})
    assert fold.end_reason == END_CURRENT
    assert fold.cv_s == pytest.approx(run().cv_s, abs=1.0)
    assert fold.put_in[0] == pytest.approx(run().put_in[0], abs=2 * SET_A / 3600)


def test_full_already_and_open_already() -> None:
    full, none = ChargeFold(end_amps=0.4, period_s=1.0), ChargeFold(end_amps=0.4, period_s=1.0)
    for t in range(100):
        full.push(float(t), -0.2, SET_V, held_volts=SET_V)
        none.push(float(t), 0.0, SET_V, held_volts=SET_V)
    assert full.end_reason == END_CURRENT
    assert full.taper.never_above
    assert math.isnan(full.cv_s)
    assert full.taper.end_amps == pytest.approx(0.2)
    assert none.end_reason == NO_CURRENT


def test_nothing_after_the_end_counts() -> None:
    fold = run(until_s=800.0)
    before = fold.put_in
    fold.push(900.0, -5.0, SET_V, held_volts=SET_V)
    assert fold.put_in == before


@given(st.floats(0.5, 4.0))
def test_scaling_the_current_scales_the_charge(factor: float) -> None:
    fold = ChargeFold(end_amps=0.4 * factor, period_s=1.0)
    for t in range(800):
        amps, volts = state(float(t))
        fold.push(float(t), -amps * factor, volts, held_volts=volts)
    assert fold.put_in[0] == pytest.approx(run().put_in[0] * factor, rel=1e-9)
    assert fold.cv_s == pytest.approx(run().cv_s, rel=1e-6)


odd = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -4.0, -0.4, 14.4, NAN]))


@given(st.lists(st.tuples(odd, odd, odd), max_size=100))
def test_no_series_whatever_breaks_it(rows: list[tuple[float, float, float]]) -> None:
    fold = ChargeFold(end_amps=0.4, period_s=1.0)
    for t, (amps, volts, held) in enumerate(rows):
        fold.push(float(t), amps, volts, held_volts=held)
    assert fold.end_reason in ("", END_CURRENT, PACK_OPENED, NO_CURRENT)


# -- rests and series --------------------------------------------------------------------------------------------------


def rested(volts: list[float], *, every_s: float = 1.0) -> RestFold:
    fold = RestFold()
    for i, value in enumerate(volts):
        fold.push(i * every_s, value)
    return fold


@pytest.mark.parametrize(
    ("mv_per_10_min", "cells", "settled"),
    [
        (0.0, 4, True),
        (3.9, 4, True),
        (4.1, 4, False),
        (-3.9, 4, True),
        (-4.1, 4, False),
        (7.9, 8, True),
        (8.1, 8, False),
    ],
)
def test_settled_is_a_millivolt_a_cell_in_ten_minutes(mv_per_10_min: float, cells: int, settled: bool) -> None:
    fold = rested([13.3 + mv_per_10_min / 1000 * t / 600 for t in range(1200)])
    assert fold.settled(cells=cells) is settled


@pytest.mark.parametrize(("seconds", "told"), [(0, False), (60, False), (539, False), (541, True), (4000, True)])
def test_a_short_rest_tells_nothing(seconds: int, told: bool) -> None:
    assert (rested([13.3] * (seconds + 1)).settled(cells=4) is not None) is told


def test_only_the_last_ten_minutes_and_the_last_minute_count() -> None:
    fold = rested([13.0] * 1000 + [13.3] * 600)
    assert fold.settled(cells=4) is True
    assert fold.minute.mean == pytest.approx(13.3)
    assert (fold.began_s, fold.seconds) == (0.0, 1599.0)


def test_the_last_minute_is_open_at_its_beginning() -> None:
    # (end - 60 s, end]: at 1 Hz sixty samples, not sixty-one.
    fold = rested([0.0] * 40 + [1.0] * 60)
    assert fold.minute.mean == 1.0
    assert len(fold.minute.inside()) == 60


@pytest.mark.parametrize("hole", [NAN, math.inf, -math.inf])
def test_missing_volts_are_left_out_of_the_mean(hole: float) -> None:
    fold = rested([13.3] * 30 + [hole] * 5 + [13.3] * 30)
    assert fold.minute.mean == pytest.approx(13.3)


def test_an_empty_rest_says_so() -> None:
    fold = RestFold()
    assert math.isnan(fold.minute.mean)
    assert fold.settled(cells=4) is None


@given(st.lists(st.floats(-100, 100), min_size=2, max_size=400))
def test_a_tail_keeps_no_more_than_it_needs_and_forgets_nothing_it_does(values: list[float]) -> None:
    tail = Tail(20.0)
    for t, value in enumerate(values):
        tail.push(float(t), value)
    inside = values[-20:]
    assert tail.mean == pytest.approx(math.fsum(inside) / len(inside), abs=1e-9)
    assert len(tail.points) <= 66


@given(st.floats(-5, 5), st.floats(-50, 50), st.lists(st.integers(0, 500), min_size=2, max_size=30, unique=True))
def test_the_slope_of_a_line_is_its_slope(slope: float, start: float, times: list[int]) -> None:
    assert slope_of((float(t), start + slope * t) for t in times) == pytest.approx(slope, abs=1e-9)


@pytest.mark.parametrize(("points", "slope"), [([], NAN), ([(1.0, 2.0)], NAN), ([(1.0, 2.0), (1.0, 5.0)], NAN)])
def test_no_slope_without_two_times(points: list[tuple[float, float]], slope: float) -> None:
    assert math.isnan(slope_of(points)) is math.isnan(slope)


@pytest.mark.parametrize(
    ("values", "level", "when"),
    [([1, 2, 3], 2.5, 1.5), ([1, 2, 3], 2.0, 1.0), ([3, 1, 3], 2.0, 0.0), ([1, 1, 1], 2.0, NAN), ([], 1.0, NAN)],
)
def test_when_a_level_is_reached(values: list[float], level: float, when: float) -> None:
    found = rises_to([(float(t), float(v)) for t, v in enumerate(values)], level)
    assert found == pytest.approx(when, nan_ok=True)
