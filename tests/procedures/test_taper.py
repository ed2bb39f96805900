"""The end of a charge by current, told from a pack that opened and from one that was full before."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.detectors import Taper

NAN = math.nan


def fold(amps: list[float], *, every_s: float = 1.0, hold_s: float = 10.0) -> Taper:
    taper = Taper(end_a=0.5, hold_s=hold_s)
    for i, value in enumerate(amps):
        taper.push(i * every_s, value)
    return taper


def exponential(*, from_a: float, tau_s: float, n: int, every_s: float = 1.0) -> list[float]:
    return [from_a * math.exp(-i * every_s / tau_s) for i in range(n)]


LOW = [0.45] * 12
TABLE = [
    # amps at 1 Hz; done, opened, no current, restarts
    ("a taper", [5.0, 1.0, *LOW], True, False, False, 0),
    ("held nine seconds only", [5.0, 1.0, *LOW[:9]], False, False, False, 0),
    ("up again in between", [5.0, 0.4, 0.4, 0.6, *LOW[:9]], False, False, False, 0),
    ("up again, then held", [5.0, 0.4, 0.4, 0.6, *LOW], True, False, False, 0),
    ("collapse in constant current", [5.0, 5.0, 0.0, 0.0], False, True, False, 0),
    ("collapse to a leak", [5.0, 5.0, 0.02, 0.02], False, True, False, 0),
    ("collapse in the tail", [5.0, 0.7, 0.01, 0.0], False, True, False, 0),
    ("collapse while held", [5.0, 0.6, 0.4, 0.38, 0.0, 0.0], False, True, False, 0),
    ("collapse with a reading missing", [5.0, NAN, 0.0, NAN, 0.0], False, True, False, 0),
    ("collapse at the last moment", [5.0, 1.0, *[0.45] * 10, 0.0], False, False, False, 0),
    ("and it stays", [5.0, 1.0, *[0.45] * 10, 0.0, 0.0], False, True, False, 0),
    ("a collapse is never full", [5.0, 0.0, *[0.0] * 30], False, True, False, 0),
    ("collapse, and back at once", [5.0, 0.0, 5.0, 5.0], False, False, False, 1),
    ("twice", [5.0, 0.0, 5.0, 0.0, 5.0], False, False, False, 2),
    ("back, then a true taper", [5.0, 0.0, 5.0, 1.0, *LOW], True, False, False, 1),
    ("all missing", [NAN] * 100, False, False, False, 0),
    ("switch-on: no current at first", [0.0, 0.0, 5.0, 1.0, *LOW], True, False, False, 0),
    ("full already", [0.3] * 61, True, False, False, 0),
    ("full already, waited for", [0.3] * 60, False, False, False, 0),
    ("no current at all", [0.001] * 61, False, False, True, 0),
    ("no current, waited for", [0.001] * 60, False, False, False, 0),
]


@pytest.mark.parametrize(("amps", "done", "opened", "none", "restarts"), [t[1:] for t in TABLE],
                         ids=[t[0] for t in TABLE])  # fmt: skip
def test_taper(amps: list[float], done: bool, opened: bool, none: bool, restarts: int) -> None:
    taper = fold(amps)
    assert (taper.done, taper.opened, taper.no_current, taper.restarts) == (done, opened, none, restarts)
    assert taper.never_above is (done and max(amps) <= 0.5)


@pytest.mark.parametrize("tau_s", [8.0, 30.0, 300.0])
@pytest.mark.parametrize("every_s", [0.5, 1.0, 2.0])
def test_times_and_amps_of_an_exponential_tail(tau_s: float, every_s: float) -> None:
    # i = i0 exp(-t/tau): 0.5 A after tau ln(i0 / 0.5), and 0.5 A x exp(-10/tau) ten seconds later; what is left is
    # the curve under the straight line of one spacing, at most h^2 / 8 tau.
    taper = fold(exponential(from_a=1.2, tau_s=tau_s, n=int(6 * tau_s / every_s), every_s=every_s), every_s=every_s)
    assert taper.done
    assert taper.reached_s == pytest.approx(tau_s * math.log(1.2 / 0.5), abs=every_s**2 / (8 * tau_s) + 1e-9)
    assert taper.end_amps == pytest.approx(0.5 * math.exp(-10 / tau_s), abs=0.5 * (every_s / tau_s) ** 2)


def test_the_cv_phase_of_a_linear_cell() -> None:
    # OCV = a + b Q behind R held at V: tau = 3600 R / b. R = 0.05 ohm, b = 0.2 V/Ah, 1.2 A down to 0.06 A: tau = 900 s,
    # 2696.159046 s (computed independently with mpmath).
    taper = Taper(end_a=0.06)
    for t in range(3000):
        taper.push(float(t), 1.2 * math.exp(-t / 900.0))
    assert taper.done
    assert taper.reached_s == pytest.approx(2696.159046, abs=1e-3)


@pytest.mark.parametrize("at", range(2, 40))
def test_an_opening_at_any_sample_is_never_full(at: int) -> None:
    amps = [*exponential(from_a=5.0, tau_s=20.0, n=at), *[0.0] * 30]
    taper = fold(amps)
    assert taper.opened
    assert not taper.done


@given(st.floats(4.0, 2000.0), st.floats(0.6, 50.0), st.sampled_from([0.25, 1.0, 5.0]))
def test_a_cells_own_tail_is_never_an_opening(tau_s: float, from_a: float, every_s: float) -> None:
    taper = fold(exponential(from_a=from_a, tau_s=tau_s, n=400, every_s=every_s), every_s=every_s)
    assert not taper.opened
    assert not taper.restarts


@given(st.lists(st.floats(allow_nan=True), max_size=120))
def test_no_series_whatever_breaks_it(amps: list[float]) -> None:
    taper = fold(amps)
    assert (taper.done, taper.opened, taper.no_current).count(True) <= 1
    if taper.done:
        assert math.isfinite(taper.end_amps)
        assert taper.end_amps <= 0.5


@given(st.lists(st.floats(0.0, 6.0), min_size=1, max_size=60), st.floats(0.25, 8.0))
def test_scaling_currents_and_end_changes_nothing(amps: list[float], factor: float) -> None:
    def run(scale: float) -> Taper:
        taper = Taper(end_a=0.5 * scale)
        for t, value in enumerate(amps):
            taper.push(float(t), scale * value)
        return taper

    # A factor of two is exact in binary, so that no comparison falls the other way by rounding.
    one, other = run(1.0), run(2.0 ** math.floor(factor))
    assert (one.done, one.opened, one.restarts, one.reached_s) == (
        other.done, other.opened, other.restarts, other.reached_s,
    )  # fmt: skip


def test_later_samples_of_a_decided_fold_change_nothing() -> None:
    make: Callable[[], Taper] = lambda: fold([5.0, 1.0, *LOW])  # noqa: E731
    one, other = make(), make()
    for t in range(100, 200):
        other.push(float(t), 5.0)
    assert one == other


# End current 0.5 A, so that half of it and a twentieth of 2 A are exact.
EDGES = [
    # amps at 1 Hz; done, opened, restarts
    ("from half the end current", [1.0, 0.25, 0.0, 0.0], False, True, 0),
    ("from less than that", [1.0, 0.24, *[0.0] * 12], True, False, 0),
    ("to a twentieth", [2.0, 0.1, 0.1], False, False, 0),
    ("to a twentieth, then on", [2.0, 0.1, 0.05], False, False, 0),
    ("to less than that", [2.0, 0.099, 0.099], False, True, 0),
    ("a twentieth comes back", [2.0, 0.0, 0.1, 0.1], False, False, 0),
    ("half comes back", [2.0, 0.0, 1.0, 1.0], False, False, 0),
    ("more than half comes back", [2.0, 0.0, 1.01, 1.01], False, False, 1),
    ("exactly the end current", [1.0, *[0.5] * 11], True, False, 0),
    ("a current the wrong way round", [1.0, *[-0.2] * 2], False, True, 0),
]


@pytest.mark.parametrize(("amps", "done", "opened", "restarts"), [t[1:] for t in EDGES], ids=[t[0] for t in EDGES])
def test_edges(amps: list[float], done: bool, opened: bool, restarts: int) -> None:
    taper = fold(amps)
    assert (taper.done, taper.opened, taper.no_current, taper.restarts) == (done, opened, False, restarts)
    assert math.isnan(taper.end_amps) is not done, "no figure before the end"


@pytest.mark.parametrize(("amps", "done", "none"), [(0.025, True, False), (0.0249, False, True)])
def test_a_twentieth_of_the_end_current_is_one(amps: float, done: bool, none: bool) -> None:
    taper = fold([amps] * 61)
    assert (taper.done, taper.no_current) == (done, none)


def test_a_minute_begins_with_the_first_sample_and_a_hair_is_no_part_of_it() -> None:
    """Two hundred times 0.3 s summed up come to a little less than a minute: it is one."""
    times = list(accumulate([0.0] + [0.3] * 200))
    assert 60.0 - 1e-9 < times[-1] < 60.0
    full, empty = Taper(end_a=0.5), Taper(end_a=0.5)
    for n, t_s in enumerate(times):
        full.push(t_s, 0.3)
        empty.push(100.0 + t_s, 0.001)
        assert (full.done, empty.no_current) == (n == 200, n == 200)


def test_a_full_pack_has_its_amps_sixty_seconds_after_the_first_sample() -> None:
    # 0.3 A at 59 s and 0.1 A at 61 s: 0.2 A in the middle. Before that nothing is known.
    taper = Taper(end_a=0.5)
    for t in range(60):
        taper.push(100.0 + t, 0.3)
    assert not taper.done
    assert math.isnan(taper.end_amps)
    taper.push(161.0, 0.1)
    assert (taper.done, taper.never_above, taper.reached_s) == (True, True, None)
    assert taper.end_amps == pytest.approx(0.2, rel=1e-9)


@pytest.mark.parametrize(("next_s", "least_a", "most_a"), [(13.0, 0.0, 0.1), (12.0, 0.1, 0.1)])
def test_an_end_put_off_by_a_lost_reading_has_amps_between_its_neighbours(
    next_s: float, least_a: float, most_a: float
) -> None:
    """Due at 11.9 s; at 12 s the current seems gone, which the next sample must tell, then 0.1 A is there."""
    taper = fold([5.0, 1.0, *[0.45] * 10, 0.0])
    assert not taper.done
    taper.push(next_s, 0.1)
    assert taper.done
    assert least_a <= taper.end_amps <= most_a


def test_a_sample_from_before_is_not_taken() -> None:
    taper = fold([5.0, 1.0, 0.45])
    taper.push(1.5, 5.0)
    for t in range(3, 12):
        taper.push(float(t), 0.45)
    assert not taper.done
    taper.push(12.0, 0.45)
    assert taper.done
    assert taper.reached_s == pytest.approx(1 + 0.5 / 0.55, rel=1e-9)


@pytest.mark.parametrize(("at_s", "done"), [(10.9, False), (11.0 - 5e-9, False), (11.0, True)])
def test_it_is_held_for_ten_seconds_where_nothing_else_is_said(at_s: float, done: bool) -> None:
    taper = Taper(end_a=0.5)
    for t_s, amps in ((0.0, 1.0), (1.0, 0.5), (at_s, 0.45)):
        taper.push(t_s, amps)
    assert (taper.reached_s, taper.done) == (1.0, done)


def test_sixty_seconds_that_round_down_are_sixty() -> None:
    taper = Taper(end_a=0.5)
    taper.push(4.1, 0.3)
    taper.push(64.1, 0.3)
    assert 64.1 - 4.1 < 60.0
    assert taper.done


@pytest.mark.parametrize(("after_s", "known"), [(59.0, False), (60.0 - 5e-9, False), (60.0, True)])
def test_no_current_is_known_after_sixty_seconds(after_s: float, known: bool) -> None:
    taper = Taper(end_a=0.5)
    taper.push(100.0, 0.0)
    taper.push(100.0 + after_s, 0.0)
    assert (taper.no_current, taper.done) == (known, False)


def test_ten_seconds_that_round_up_are_ten() -> None:
    assert 1.12 + 10.0 > 11.12
    taper = Taper(end_a=0.5)
    for t_s, amps in ((0.0, 1.0), (1.12, 0.5), (11.12, 0.45)):
        taper.push(t_s, amps)
    assert taper.done
