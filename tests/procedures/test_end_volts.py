"""The crossing of an end voltage: dips, interpolation, confirmation, missing values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.detectors import EndVolts


def fold(samples: Iterable[tuple[float, float]], *, end_v: float = 10.0, start_s: float = 0.0) -> EndVolts:
    end = EndVolts(end_v=end_v, start_s=start_s)
    for t_s, volts in samples:
        end.push(t_s, volts)
    return end


def at_1_hz(volts: Sequence[float], *, first_s: float = 10.0) -> list[tuple[float, float]]:
    return [(first_s + i, v) for i, v in enumerate(volts)]


CROSSINGS = [
    # volts at 1 Hz from t = 10 s; crossing of 10 V or None; confirmed. Times by hand.
    ("half-way between", [10.2, 9.8, 9.4], 10.5, True),
    ("a quarter of the way", [10.1, 9.7, 9.4], 10.25, True),
    ("exactly on a sample", [10.1, 10.0, 9.9], 11.0, True),
    ("flat along it", [10.1, 10.0, 10.0], 11.0, True),
    ("not confirmed yet", [10.2, 9.8], 10.5, False),
    ("one dip", [10.2, 9.8, 10.2, 10.1], None, False),
    ("one dip, then the real one", [10.2, 9.0, 10.2, 9.8, 9.7], 12.5, True),
    ("two dips", [10.2, 9.0, 10.2, 9.0, 10.2], None, False),
    ("never", [10.2, 10.1, 10.05], None, False),
    ("missing before", [10.2, math.nan, 9.8, 9.4], 11.0, True),
    ("missing in between", [10.2, 9.8, math.nan, 9.4], 10.5, True),
    ("missing at first", [math.nan, 10.2, 9.8, 9.4], 11.5, True),
    ("all missing", [math.nan] * 4, None, False),
    ("infinite", [10.2, -math.inf, 10.1, 10.1], None, False),
]


@pytest.mark.parametrize(
    ("volts", "crossing_s", "confirmed"), [c[1:] for c in CROSSINGS], ids=[c[0] for c in CROSSINGS]
)
def test_crossing(volts: list[float], crossing_s: float | None, confirmed: bool) -> None:
    end = fold(at_1_hz(volts))
    assert end.confirmed is confirmed
    assert end.crossing_s == (None if crossing_s is None else pytest.approx(crossing_s, abs=1e-9))


@pytest.mark.parametrize("dip_v", [9.7, 0.0, -1.0, math.nan])
@pytest.mark.parametrize("dips", [1, 2, 40])
def test_a_dip_at_switch_on_ends_nothing(dip_v: float, dips: int) -> None:
    # Leads of 1 uH a metre and the load's slew make it; one 50 ms sample or several, within five seconds.
    samples = [(0.0, 13.1), *((0.05 * (i + 1), dip_v) for i in range(dips))]
    samples += [(4.0 + 0.05 * i, 12.9) for i in range(100)]
    end = fold(samples)
    assert not end.confirmed
    assert end.crossing_s is None


def test_seconds_are_counted_from_switch_on() -> None:
    assert fold(at_1_hz([9.0] * 5, first_s=1000), start_s=1000).confirmed is False
    assert fold(at_1_hz([9.0] * 8, first_s=1000), start_s=1000).confirmed is True


def test_under_it_from_the_start() -> None:
    end = fold(at_1_hz([9.0, 8.9]))
    assert (end.confirmed, end.never_above, end.crossing_s) == (True, True, 10.0)
    assert math.isnan(end.slope_v_per_s)
    assert fold(at_1_hz([10.1, 9.0, 8.9])).never_above is False


def test_two_samples_of_one_instant_make_no_slope() -> None:
    # A recording may hold the state before and after a switch under one stamp.
    end = fold([(10, 22.9), (10, 0.0), (11, 0.0)])
    assert end.crossing_s == 10
    assert math.isnan(end.slope_v_per_s)


def test_nothing_after_confirmation_counts() -> None:
    end = fold(at_1_hz([10.2, 9.8, 9.4, 12.6, 12.6, 9.0, 8.0]))
    assert end.crossing_s == pytest.approx(10.5, abs=1e-9)


def test_the_slope_is_that_of_many_samples_not_of_two() -> None:
    # -2 mV/s with a sawtooth of 1 mV: the two samples around the crossing alone would say -4 mV/s.
    volts = [10.0 + 0.002 * (20 - i) + 0.001 * (-1) ** i for i in range(30)]
    end = fold(at_1_hz(volts))
    assert end.confirmed
    assert end.slope_v_per_s == pytest.approx(-0.002, abs=0.0002)


falling = st.lists(st.floats(0.001, 0.5).map(lambda x: round(x, 4)), min_size=3, max_size=40)


@given(falling, st.floats(0.05, 20), st.floats(0.01, 0.99))
def test_on_falling_volts_the_crossing_lies_on_the_line_whatever_the_spacing(
    drops: list[float], every_s: float, share: float
) -> None:
    volts = [12.0]
    for drop in drops:
        volts.append(volts[-1] - drop)
    at = max(1, int(share * (len(volts) - 2)))
    end_v = volts[at] - 0.5 * (volts[at] - volts[at + 1])
    samples = [(10 + every_s * i, v) for i, v in enumerate(volts)]
    end = fold([*samples, (samples[-1][0] + every_s, volts[-1] - 1)], end_v=end_v)
    assert end.confirmed
    assert end.crossing_s == pytest.approx(10 + every_s * (at + 0.5), rel=1e-9)


@given(falling, st.integers(0, 39))
def test_a_missing_sample_moves_the_crossing_by_a_spacing_at_most(drops: list[float], hole: int) -> None:
    volts = [12.0]
    for drop in drops:
        volts.append(volts[-1] - drop)
    volts += [volts[-1] - 1, volts[-1] - 2, volts[-1] - 3]
    end_v = 0.5 * (volts[0] + volts[len(volts) // 2])
    whole = fold(at_1_hz(volts), end_v=end_v)
    holed = fold(at_1_hz([math.nan if i == hole else v for i, v in enumerate(volts)]), end_v=end_v)
    assert holed.confirmed == whole.confirmed is True
    if not holed.never_above:
        assert abs((holed.crossing_s or 0) - (whole.crossing_s or 0)) <= 1.0


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(allow_nan=True, allow_infinity=True)), max_size=40))
def test_no_series_whatever_breaks_it(samples: list[tuple[float, float]]) -> None:
    end = fold(samples, end_v=10.0)
    if end.confirmed:
        assert end.crossing_s is not None
        assert math.isfinite(end.crossing_s)
        assert sum(v <= 10.0 for _, v in samples if math.isfinite(v)) >= 2


@pytest.mark.parametrize(("first_s", "confirmed"), [(4.0, False), (4.5, False), (5.0, True), (5.5, True)])
def test_the_first_five_seconds_are_not_looked_at(first_s: float, confirmed: bool) -> None:
    end = EndVolts(end_v=10.0)
    end.push(first_s, 9.0)
    end.push(first_s + 0.75, 8.9)
    assert end.confirmed is confirmed


def test_a_sample_from_before_is_not_taken() -> None:
    end = fold([(10, 10.2), (11, 9.8), (10.5, 9.7)])
    assert not end.confirmed
    end.push(11, 9.8)
    assert end.confirmed, "one of the same instant is"
    assert end.crossing_s == pytest.approx(10.5, abs=1e-9)


def test_the_slope_is_over_the_last_ten_samples() -> None:
    # 12 - k^2 / 100 V at 1 Hz: the straight line through k = 6 .. 15 has the slope at their middle, -0.02 x 10.5 V/s.
    end = fold(at_1_hz([12.0 - 0.01 * k * k for k in range(17)]), end_v=12.0 - 0.01 * 14.5**2)
    assert end.confirmed
    assert end.slope_v_per_s == pytest.approx(-0.21, rel=1e-9)


def test_a_time_that_is_no_number_ends_nothing() -> None:
    end = fold([(10, 10.2), (math.nan, 9.0), (math.nan, 9.0), (math.nan, 9.0)])
    assert (end.confirmed, end.crossing_s) == (False, None)
