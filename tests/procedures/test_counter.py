"""Charge and energy by the trapezoid: closed forms, gaps, missing values, and properties.

Exact values and what the trapezoid gives at a stated step: computed independently with mpmath (40 digits) from the
formula beside each; all twelve digits must come out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.detectors import ChargeCounter

Sample = tuple[float, float, float]


def counted(samples: Iterable[Sample], *, period_s: float = 1e9, start_s: float | None = None) -> ChargeCounter:
    counter = ChargeCounter(period_s=period_s, start_s=start_s)
    for sample in samples:
        counter.push(*sample)
    return counter


def constant_power(t_s: float) -> tuple[float, float]:
    """60 W from V = 13.6 - 0.4 Q without resistance: 13.6 Q - 0.2 Q^2 = 60 t/3600, lower root."""
    charge_ah = (13.6 - math.sqrt(13.6**2 - 0.8 * 60.0 * t_s / 3600.0)) / 0.4
    volts = 13.6 - 0.4 * charge_ah
    return 60.0 / volts, volts


def constant_resistance(t_s: float) -> tuple[float, float]:
    """10 ohm on V = 13.6 - 0.4 Q: V = 13.6 exp(-0.4 t / 10 h)."""
    volts = 13.6 * math.exp(-0.04 * t_s / 3600.0)
    return volts / 10.0, volts


CLOSED_FORMS: list[tuple[str, Callable[[float], tuple[float, float]], float, float, float, float | None]] = [
    # name, amps and volts over time, end s, step s, charge Ah by the trapezoid, energy Wh by the trapezoid
    ("6 A", lambda t: (6.0, 1.0), 3600, 60, 6.0, None),
    ("0.3 A for 20 h", lambda t: (0.3, 1.0), 72000, 60, 6.0, None),
    ("ramp to 10 A", lambda t: (10 * t / 1800, 1.0), 1800, 60, 2.5, None),
    ("3 exp(-t/1200), 1 s", lambda t: (3 * math.exp(-t / 1200), 1.0), 3600, 1, 0.950212986621, None),
    ("3 exp(-t/1200), 10 s", lambda t: (3 * math.exp(-t / 1200), 1.0), 3600, 10, 0.950218430543, None),
    ("3 exp(-t/1200), 60 s", lambda t: (3 * math.exp(-t / 1200), 1.0), 3600, 60, 0.950410884412, None),
    ("3 exp(-t/1200), 300 s", lambda t: (3 * math.exp(-t / 1200), 1.0), 3600, 300, 0.955156809742, None),
    ("ripple, whole periods", lambda t: (2 + 0.5 * math.sin(2 * math.pi * t / 600), 1.0), 3600, 60, 2.0, None),
    ("ripple, 10 s", lambda t: (2 + 0.5 * math.sin(2 * math.pi * t / 600), 1.0), 3450, 10, 1.92991745603, None),
    ("ripple, 30 s", lambda t: (2 + 0.5 * math.sin(2 * math.pi * t / 600), 1.0), 3450, 30, 1.92982031566, None),
    ("60 W, 1 s", constant_power, 3600, 1, 4.74252232544, 60.0),
    ("60 W, 60 s", constant_power, 3600, 60, 4.74252986831, 60.0),
    ("60 W, 300 s", constant_power, 3600, 300, 4.74271093008, 60.0),
    ("60 W, half an hour", constant_power, 1800, 10, 2.28249703102, 30.0),
    ("10 ohm, 10 s", constant_resistance, 3600, 10, 1.33315907019, 17.7755007886),
    ("10 ohm, 60 s", constant_resistance, 3600, 60, 1.33315911820, 17.7755033488),
    ("1.2 A on a falling line", lambda t: (1.2, 13.6 - 0.4 * 1.2 * t / 3600), 18000, 60, 6.0, 74.4),
]  # fmt: skip


@pytest.mark.parametrize(("law", "end", "step", "charge_ah", "energy_wh"), [c[1:] for c in CLOSED_FORMS],
                         ids=[c[0] for c in CLOSED_FORMS])  # fmt: skip
def test_closed_form(
    law: Callable[[float], tuple[float, float]], end: float, step: float, charge_ah: float, energy_wh: float | None
) -> None:
    counter = counted((t, *law(t)) for t in range(0, int(end) + 1, int(step)))
    assert counter.charge_ah == pytest.approx(charge_ah, rel=5e-12)
    if energy_wh is not None:
        assert counter.energy_wh == pytest.approx(energy_wh, rel=5e-12)


@pytest.mark.parametrize(
    ("exact_ah", "step", "due"),
    [(0.950212931632, 1, 5.499e-8), (0.950212931632, 10, 5.499e-6), (0.950212931632, 60, 0.0001980)],
)
def test_the_error_left_is_the_trapezoids_own(exact_ah: float, step: int, due: float) -> None:
    # h^2/12 (f'(T) - f'(0)), computed independently as above.
    counter = counted((t, 3 * math.exp(-t / 1200), 1.0) for t in range(0, 3601, step))
    assert counter.charge_ah - exact_ah == pytest.approx(due, rel=1e-3)


def test_uneven_stamps_are_used_as_they_are() -> None:
    # By hand: 2.25 + 3.5 + 1.5 + 1.0 = 8.25 A s; left rectangles would make 10.
    counter = counted(zip((0, 1, 3, 6, 10), (2, 2.5, 1, 0, 0.5), (1,) * 5, strict=True))
    assert counter.charge_ah * 3600 == pytest.approx(8.25, rel=1e-14)


def test_a_gap_is_bridged_and_listed_never_in_silence() -> None:
    # 1.2 A at 0, 10, 20, 30 s, then nothing for 1200 s: 1250 s x 1.2 A = 0.4167 Ah; a fixed 10 s would make 0.0233.
    counter = counted(((t, 1.2, 12.0) for t in (0, 10, 20, 30, 1230, 1240, 1250)), period_s=10.0)
    assert counter.charge_ah == pytest.approx(1250 * 1.2 / 3600, rel=1e-12)
    (gap,) = counter.gaps
    assert (gap.start_s, gap.end_s) == (30, 1230)
    assert gap.half_width_ah == pytest.approx(0.4, rel=1e-12)


@pytest.mark.parametrize(("apart_s", "listed"), [(29.9, 0), (30.0, 0), (30.1, 1), (300.0, 1)])
def test_more_than_three_periods_are_a_gap(apart_s: float, listed: int) -> None:
    assert len(counted([(0, 1, 1), (apart_s, 1, 1)], period_s=10.0).gaps) == listed


def test_the_bounds_of_a_gap_hold_whatever_the_current_did() -> None:
    counter = counted([(0, 4.0, 1), (3600, 1.0, 1)], period_s=1.0)
    (gap,) = counter.gaps
    for truth_ah in (0.0, 4.0):
        assert abs(counter.charge_ah - truth_ah) <= gap.half_width_ah


@pytest.mark.parametrize("start_s", [None, 99.0, 100.0, 101.0])
def test_the_first_current_is_held_back_to_switch_on(start_s: float | None) -> None:
    counter = counted([(100, 2.0, 10.0), (110, 2.0, 10.0)], period_s=10.0, start_s=start_s)
    since = 100 if start_s is None else min(start_s, 100)
    assert counter.charge_ah == pytest.approx(2.0 * (110 - since) / 3600, rel=1e-12)


def test_a_late_first_sample_is_a_gap() -> None:
    assert counted([(100, 2.0, 10.0)], period_s=10.0, start_s=0.0).gaps[0].end_s == 100


@pytest.mark.parametrize("hole", [(15, math.nan, 12), (15, 2, math.nan), (math.nan, 2, 12), (15, math.inf, 12)])
def test_a_value_that_is_not_a_number_is_bridged(hole: Sample) -> None:
    counter = counted([(0, 2, 12), (10, 2, 12), hole, (20, 2, 12)], period_s=10.0)
    assert counter.charge_ah == pytest.approx(2 * 20 / 3600, rel=1e-12)
    assert counter.gaps == []


def test_a_sample_from_before_is_not_taken() -> None:
    counter = counted([(0, 2, 12), (10, 2, 12), (4, 9, 12), (20, 2, 12)], period_s=10.0)
    assert counter.charge_ah == pytest.approx(2 * 20 / 3600, rel=1e-12)


def test_two_samples_of_one_instant_are_a_switch() -> None:
    counter = counted([(0, 2, 12), (10, 2, 12), (10, 0, 13), (20, 0, 13)], period_s=10.0)
    assert counter.charge_ah == pytest.approx(2 * 10 / 3600, rel=1e-12)


@pytest.mark.parametrize("cut_s", [10.0, 12.5, 20.0])
def test_the_last_stretch_is_cut_on_the_straight_line(cut_s: float) -> None:
    counter = counted([(0, 2, 12), (10, 2, 12)], period_s=10.0)
    counter.push_until(cut_s, 20, 4, 10)
    share = (cut_s - 10) / 10
    amps, volts = 2 + 2 * share, 12 - 2 * share
    assert counter.charge_ah * 3600 == pytest.approx(20 + 0.5 * (2 + amps) * 10 * share, rel=1e-12)
    assert counter.energy_wh * 3600 == pytest.approx(240 + 0.5 * (24 + amps * volts) * 10 * share, rel=1e-12)


amount = st.floats(-100, 100, allow_nan=False).map(lambda x: round(x, 6))
series = st.lists(st.tuples(st.floats(0.01, 50).map(lambda x: round(x, 3)), amount, amount), min_size=2, max_size=30)


def with_times(steps: list[Sample]) -> list[Sample]:
    t, out = 0.0, []
    for step, amps, volts in steps:
        out.append((t, amps, volts))
        t += step
    return out


@given(series, st.floats(0.1, 10))
def test_scaling_the_current_scales_charge_and_energy(steps: list[Sample], factor: float) -> None:
    samples = with_times(steps)
    one, other = counted(samples), counted((t, factor * amps, volts) for t, amps, volts in samples)
    assert other.charge_ah == pytest.approx(factor * one.charge_ah, rel=1e-9, abs=1e-9)
    assert other.energy_wh == pytest.approx(factor * one.energy_wh, rel=1e-9, abs=1e-7)


@given(series, st.data())
def test_a_sample_on_the_straight_line_changes_no_charge(steps: list[Sample], data: st.DataObject) -> None:
    samples = with_times(steps)
    at = data.draw(st.integers(1, len(samples) - 1))
    share = data.draw(st.floats(0.01, 0.99))
    (t0, a0, _), (t1, a1, v1) = samples[at - 1], samples[at]
    between = (t0 + share * (t1 - t0), a0 + share * (a1 - a0), v1)
    more = [*samples[:at], between, *samples[at:]]
    assert counted(more).charge_ah == pytest.approx(counted(samples).charge_ah, rel=1e-9, abs=1e-12)


@given(series, st.data())
def test_two_halves_make_the_whole(steps: list[Sample], data: st.DataObject) -> None:
    samples = with_times(steps)
    at = data.draw(st.integers(0, len(samples) - 1))
    first, second, whole = counted(samples[: at + 1]), counted(samples[at:]), counted(samples)
    assert first.charge_ah + second.charge_ah == pytest.approx(whole.charge_ah, rel=1e-9, abs=1e-12)
    assert first.energy_wh + second.energy_wh == pytest.approx(whole.energy_wh, rel=1e-9, abs=1e-10)


@given(series, st.floats(-1e6, 1e6))
def test_when_it_was_does_not_matter(steps: list[Sample], shift: float) -> None:
    samples = with_times(steps)
    moved = counted((t + shift, amps, volts) for t, amps, volts in samples)
    assert moved.charge_ah == pytest.approx(counted(samples).charge_ah, rel=1e-6, abs=1e-7)


@given(series)
def test_backwards_in_time_the_charge_only_changes_its_sign(steps: list[Sample]) -> None:
    samples = with_times(steps)
    back = counted((-t, amps, volts) for t, amps, volts in reversed(samples))
    assert back.charge_ah == pytest.approx(counted(samples).charge_ah, rel=1e-9, abs=1e-12)


def test_the_last_stretch_of_no_length_adds_nothing() -> None:
    counter = counted([(0, 2, 12), (10, 2, 12)], period_s=10.0)
    counter.push_until(10.0, 10.0, 4, 10)
    assert counter.charge_ah * 3600 == pytest.approx(20.0, rel=1e-12)
    alone = ChargeCounter(period_s=10.0)
    alone.push_until(10.0, 11.0, 4, 10)
    assert (alone.charge_ah, alone.last) == (0.0, (10.0, 4, 10))


def test_the_last_stretch_is_cut_by_its_time_and_by_nothing_else() -> None:
    # t = 11 s lies above the time of the last sample and under its volts: 2 A and 3 A half a second apart.
    counter = counted([(0, 2, 12), (10, 2, 12)], period_s=10.0)
    counter.push_until(10.5, 11, 4, 10)
    assert counter.charge_ah * 3600 == pytest.approx(20 + 0.5 * (2 + 3) * 0.5, rel=1e-12)


def test_the_slowest_spacing_and_the_volts_between_which_it_was_counted() -> None:
    counter = ChargeCounter(period_s=0.1)
    assert (counter.spacing_s, counter.slowest_s, counter.gaps) == (0.1, 0.0, [])
    for sample in ((0.0, 1.0, 12.0), (0.25, 1.0, 11.5), (0.35, 1.0, 13.0), (5.0, 1.0, 12.5)):
        counter.push(*sample)
    assert (counter.slowest_s, counter.spacing_s) == (0.25, 0.25), "what is a gap is no spacing"
    assert (counter.lowest_v, counter.highest_v) == (11.5, 13.0)
    assert len(counter.gaps) == 1


def test_the_hair_of_a_gap_is_one() -> None:
    # 4.4 - 4.1 is 0.3 and some 1e-16: no gap; 5e-9 s more than three periods is one.
    assert counted([(4.1, 1, 1), (4.4, 1, 1)], period_s=0.1).gaps == []
    assert len(counted([(0, 1, 1), (30.000000005, 1, 1)], period_s=10.0).gaps) == 1


@pytest.mark.parametrize(("before", "after"), [(-4.0, 1.0), (1.0, -4.0)])
def test_the_bounds_of_a_gap_have_no_sign(before: float, after: float) -> None:
    (gap,) = counted([(0, before, 1), (3600, after, 1)], period_s=1.0).gaps
    assert gap.half_width_ah == pytest.approx(4.0, rel=1e-12)


def test_the_last_stretch_of_a_current_larger_than_its_time() -> None:
    counter = counted([(0, 20, 12)], period_s=10.0)
    counter.push_until(0.5, 1.0, 10, 12)
    assert counter.charge_ah * 3600 == pytest.approx(0.5 * (20 + 15) * 0.5, rel=1e-12)
