"""The end of a charge by current, told from a pack that opened and from one that was full before."""

from __future__ import annotations

import math
from collections.abc import Callable

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
