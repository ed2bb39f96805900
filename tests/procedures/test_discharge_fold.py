"""The fold of a discharge: capacity up to the crossing, or up to the last good sample."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.discharge import EMPTY, END_VOLTS, PACK_OPENED, DischargeFold

NAN = math.nan
Row = tuple[float, float, float]


def fold(rows: list[Row], *, amps: float = 1.2, end_v: float = 10.0, on_s: float = 0.0, lead_ohm: float = 0.0,
         period_s: float = 1.0) -> DischargeFold:  # fmt: skip
    made = DischargeFold(set_amps=amps, end_v=end_v, nominal_volts=12.8, period_s=period_s, on_s=on_s)
    for t_s, a, volts in rows:
        made.push(t_s, a, volts, end_volts=volts - a * lead_ohm, temp_c=20.0 + t_s)
    return made


def line(seconds: int, *, amps: float = 1.2, from_v: float = 13.0, to_v: float = 9.9) -> list[Row]:
    return [(float(t), amps, from_v + (to_v - from_v) * t / seconds) for t in range(seconds + 1)]


def test_charge_and_energy_up_to_the_crossing() -> None:
    # 13 V falling 10 mV/s at 1.2 A crosses 10.005 V at 299.5 s: 0.099833... Ah, mean of 13 and 10.005 V. By hand.
    made = fold(line(310), end_v=10.005)
    assert made.end_reason == END_VOLTS
    assert made.end_s == pytest.approx(299.5, abs=1e-9)
    assert made.charge_ah == pytest.approx(1.2 * 299.5 / 3600, rel=1e-12)
    assert made.energy_wh == pytest.approx(1.2 * 299.5 / 3600 * (13 + 10.005) / 2, rel=1e-12)
    assert math.isnan(made.last_v)


def test_decided_by_the_second_sample_below() -> None:
    rows = line(310)
    for n, decided in ((301, False), (302, True)):
        assert fold(rows[:n], end_v=10.005).decided is decided


def test_looked_for_at_the_load_energy_counted_at_the_pack() -> None:
    # 60 mohm at 6 A: the pack stands 0.36 V above the load; at 10.36 V there the load reads 10.00 V.
    made = fold(line(310, amps=6.0), amps=6.0, lead_ohm=0.06)
    assert made.end_s == pytest.approx(264.0, abs=1e-9)
    assert made.energy_wh == pytest.approx(6.0 * 264 / 3600 * (13 + 10.36) / 2, rel=1e-12)


def test_no_current_yet_is_no_end() -> None:
    # The load ramps up over seconds while the pack's volts dip: neither an end nor an opening.
    rows = [
        (0.0, 0.0, 13.1),
        (0.5, 0.4, 9.7),
        (1.0, 1.2, 9.7),
        (2.0, 1.2, 12.9),
        *[(t + 3.0, 1.2, 12.9) for t in range(9)],
    ]
    made = fold(rows)
    assert not made.decided


def test_opened_counts_to_the_last_good_sample() -> None:
    rows = [(float(t), 1.2, 12.15 - 0.05 * t) for t in range(3)]
    rows += [(3.0, 0.0, 0.02), (4.0, 0.0, 0.01), (5.0, 0.0, 12.6), (6.0, 1.2, 12.5), (7.0, 1.2, 9.0), (8.0, 1.2, 9.0)]
    made = fold(rows)
    assert (made.end_reason, made.end_s, made.last_v) == (PACK_OPENED, 2.0, pytest.approx(12.05))
    assert made.charge_ah == pytest.approx(1.2 * 2 / 3600, rel=1e-12)
    # It came back by itself and fell again; what was found stays.
    assert not made.end.confirmed


HOLES = ("amps", "volts", "both")


def holed(rows: list[Row], at: int, what: str) -> list[Row]:
    t_s, amps, volts = rows[at]
    hole = (t_s, amps if what == "volts" else NAN, volts if what == "amps" else NAN)
    return [*rows[:at], hole, *rows[at + 1 :]]


@pytest.mark.parametrize("what", HOLES)
@pytest.mark.parametrize("at", range(20, 26))
def test_opening_with_a_missing_value_anywhere_near_is_still_an_opening(what: str, at: int) -> None:
    rows: list[Row] = [(float(t), 1.2, 12.9 - 0.01 * t) for t in range(23)]
    rows += [(float(t), 0.0, 0.0) for t in range(23, 30)]
    made = fold(holed(rows, at, what))
    assert made.end_reason == PACK_OPENED
    assert made.end_s == (21.0 if at == 22 else 22.0)
    assert made.charge_ah == pytest.approx(1.2 * made.end_s / 3600, rel=1e-12)


@pytest.mark.parametrize("what", HOLES)
@pytest.mark.parametrize("at", range(296, 305))
def test_an_end_with_a_missing_value_anywhere_near_is_found_within_a_period(what: str, at: int) -> None:
    made = fold(holed(line(310), at, what), end_v=10.005)
    assert made.end_reason == END_VOLTS
    assert made.end_s == pytest.approx(299.5, abs=0.5)
    assert made.charge_ah == pytest.approx(1.2 * made.end_s / 3600, rel=1e-9)


@pytest.mark.parametrize("at", range(6, 200, 13))
def test_the_pack_may_open_at_any_sample(at: int) -> None:
    rows = line(310)[: at + 1] + [(at + 1.0 + i, 0.0, 0.0) for i in range(3)]
    made = fold(rows, end_v=10.005)
    assert (made.end_reason, made.end_s) == (PACK_OPENED, float(at))
    assert made.charge_ah == pytest.approx(1.2 * at / 3600, rel=1e-12)


def test_opens_at_its_first_sample() -> None:
    made = fold([(0.0, 0.0, 0.3), (1.0, 0.0, 0.3)], on_s=0.0)
    assert (made.end_reason, made.charge_ah, made.end_s) == (PACK_OPENED, 0.0, 0.0)
    assert math.isnan(made.last_v)


def test_opening_in_the_very_sample_after_the_crossing() -> None:
    # At the knee a BMS may open between the crossing and its confirmation: the crossing was not confirmed.
    rows = [*line(310)[:301], (301.0, 0.0, 0.0), (302.0, 0.0, 0.0)]
    made = fold(rows, end_v=10.005)
    assert (made.end_reason, made.end_s) == (PACK_OPENED, 300.0)


def test_a_recording_with_two_rows_of_one_instant() -> None:
    rows = [*line(200), (200.0, 0.0, 0.0), (201.0, 0.0, 0.0)]
    made = fold(rows, end_v=5.0)
    assert (made.end_reason, made.end_s) == (PACK_OPENED, 200.0)
    assert made.charge_ah == pytest.approx(1.2 * 200 / 3600, rel=1e-12)


def test_empty_from_the_start() -> None:
    made = fold([(float(t), 1.2, 9.5) for t in range(20)])
    assert made.end_reason == EMPTY


def test_a_break_of_one_sample_is_counted_through() -> None:
    rows = line(310)
    rows[100] = (100.0, 0.0, 12.5)
    made = fold(rows, end_v=10.005)
    # The trapezoid loses half a sample on both sides of the break.
    assert made.charge_ah == pytest.approx(1.2 * 298.5 / 3600, rel=1e-12)


def test_switch_on_between_two_samples() -> None:
    rows = [(t + 0.3, a, v) for t, a, v in line(310)]
    assert fold(rows, end_v=10.005, on_s=0.1).charge_ah == pytest.approx(1.2 * 299.7 / 3600, rel=1e-12)


def test_a_gap_is_listed_beside_the_charge() -> None:
    rows = [row for row in line(310) if not 50 < row[0] < 90]
    made = fold(rows, end_v=10.005)
    assert made.charge_ah == pytest.approx(1.2 * 299.5 / 3600, rel=1e-12)
    assert [(g.start_s, g.end_s) for g in made.counter.gaps] == [(50.0, 90.0)]


def test_temperatures_carry_their_time_and_skip_what_is_missing() -> None:
    made = DischargeFold(set_amps=1.0, end_v=10.0, nominal_volts=12.8, period_s=1.0)
    for t, temp in enumerate([20.0, NAN, 21.0]):
        made.push(float(t), 1.0, 12.0, end_volts=12.0, temp_c=temp)
    assert made.temps == [(0.0, 20.0), (2.0, 21.0)]


@given(st.floats(0.2, 20), st.floats(0.2, 3), st.integers(200, 400), st.floats(1.0, 5.0))
def test_scaling_current_or_volts_scales_the_figures(
    amps: float, factor: float, seconds: int, volts_factor: float
) -> None:
    one = fold(line(seconds, amps=amps), amps=amps, end_v=10.005)
    rows = [(t, a * factor, v * volts_factor) for t, a, v in line(seconds, amps=amps)]
    other = DischargeFold(
        set_amps=amps * factor, end_v=10.005 * volts_factor, nominal_volts=12.8 * volts_factor, period_s=1.0
    )
    for t, a, v in rows:
        other.push(t, a, v, end_volts=v)
    assert other.end_s == pytest.approx(one.end_s, rel=1e-9)
    assert other.charge_ah == pytest.approx(one.charge_ah * factor, rel=1e-9)
    assert other.energy_wh == pytest.approx(one.energy_wh * factor * volts_factor, rel=1e-9)


@given(st.integers(2, 20), st.integers(1, 19))
def test_sampling_finer_or_coarser_changes_nothing_in_constant_current(fine: int, coarse: int) -> None:
    def run(every_s: float) -> DischargeFold:
        rows = [(i * every_s, 1.2, 13.0 - 0.01 * i * every_s) for i in range(int(330 / every_s) + 3)]
        return fold(rows, end_v=10.005, period_s=every_s)

    one, other = run(1.0 / fine), run(float(coarse))
    assert one.end_s == pytest.approx(299.5, abs=1e-6)
    assert other.end_s == pytest.approx(299.5, abs=1e-6)
    assert other.charge_ah == pytest.approx(one.charge_ah, rel=1e-9)
    assert other.energy_wh == pytest.approx(one.energy_wh, rel=1e-4)


@given(st.permutations(range(60)), st.integers(1, 8))
def test_samples_that_come_late_are_left_out_not_counted_backwards(order: list[int], far: int) -> None:
    # Each sample arrives at most ``far`` places off; charge can only be bridged, never grow.
    late = sorted(range(60), key=lambda i: i + order[i] % far)
    made = fold([(float(i), 1.2, 12.9 - 0.001 * i) for i in late])
    assert made.counter.charge_ah <= 1.2 * 59 / 3600 + 1e-12


odd = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, 1.2, 9.0, 13.0, NAN]))


@given(st.lists(st.tuples(st.floats(0.0, 3.0), odd, odd), max_size=60))
def test_no_series_whatever_breaks_it(steps: list[Row]) -> None:
    t, rows = 0.0, []
    for step, amps, volts in steps:
        t += step
        rows.append((t, amps, volts))
    made = fold(rows)
    if made.decided:
        assert math.isfinite(made.charge_ah)
        assert math.isfinite(made.end_s)
        assert made.end_s <= t
