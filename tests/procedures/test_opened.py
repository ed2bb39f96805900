"""The pack's own switch opening under load, told from everything that looks like it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.detectors import Opened

NAN = math.nan


def fold(samples: list[tuple[float, float]], *, set_amps: float = 1.2) -> Opened:
    opened = Opened(set_amps=set_amps, nominal_volts=12.8)
    for t_s, (amps, volts) in enumerate(samples):
        opened.push(float(t_s), amps, volts)
    return opened


RUNNING = [(1.2, 12.10), (1.2, 12.05)]
TABLE = [
    # samples (A, V) at 1 Hz; opened; volts of the last good sample
    ("opens, and volts are gone", [*RUNNING, (0, 0.02), (0, 0.01)], True, 12.05),
    ("and comes back by itself", [*RUNNING, (0, 0.02), (0, 0.01), (0, 12.6), (1.2, 12.5)], True, 12.05),
    ("a fuse: volts stay at the meter", [*RUNNING, (0, 12.9), (0, 12.9)], True, 12.05),
    ("some uA go on flowing", [*RUNNING, (0.004, 0.2), (0.003, 0.1)], True, 12.05),
    ("one missing reading", [*RUNNING, (0, 0.02), (1.2, 12.04)], False, 12.04),
    ("one sample without current", [*RUNNING, (0, 12.9), (1.2, 12.0), (0, 12.9), (1.2, 12.0)], False, 12.0),
    ("not a number while it opens", [*RUNNING, (NAN, 0.02), (0, 0.01), (0, 0.01)], True, 12.05),
    ("volts not a number", [*RUNNING, (0, NAN), (0, NAN)], True, 12.05),
    ("both not a number", [*RUNNING, (NAN, NAN), (NAN, NAN), (NAN, NAN)], False, 12.05),
    ("not a number in between", [*RUNNING, (0, 0.0), (NAN, NAN), (0, 0.0)], True, 12.05),
    ("half the current left", [*RUNNING, (0.7, 11.9), (0.7, 11.9)], False, 11.9),
    ("less than half", [*RUNNING, (0.5, 11.0), (0.5, 11.0)], False, 12.05),
    ("fades away slowly", [*RUNNING, *((1.2 * 0.7**i, 12.0) for i in range(1, 20))], False, 12.0),
    ("the current never came", [(0, 13.0), (0, 13.0), (0, 13.0)], False, None),
    ("opened from the start", [(0, 0.3), (0, 0.3)], True, None),
    ("rises after switch-on", [(0, 13.0), (0.5, 12.9), (1.2, 12.5)], False, 12.5),
]


@pytest.mark.parametrize(("samples", "opened", "last_v"), [t[1:] for t in TABLE], ids=[t[0] for t in TABLE])
def test_opened(samples: list[tuple[float, float]], opened: bool, last_v: float | None) -> None:
    found = fold(samples)
    assert found.opened is opened
    assert (found.last_good[2] if found.last_good else None) == last_v


def test_the_opening_lies_between_the_last_good_sample_and_the_first_without() -> None:
    found = fold([*RUNNING, (0, 0.02), (0, 0.01), (0, 0.01)])
    assert found.last_good is not None
    assert (found.last_good[0], found.gone_s) == (1.0, 2.0)


@pytest.mark.parametrize("at", range(1, 30))
def test_an_opening_at_any_sample_is_seen_by_the_next(at: int) -> None:
    found = fold([(1.2, 12.9 - 0.02 * i) for i in range(at)] + [(0.0, 0.0)] * 2)
    assert found.opened
    assert found.last_good == (at - 1.0, 1.2, 12.9 - 0.02 * (at - 1))


anything = st.lists(st.tuples(st.floats(allow_nan=True), st.floats(allow_nan=True)), max_size=40)


@given(anything)
def test_no_series_whatever_breaks_it(samples: list[tuple[float, float]]) -> None:
    found = fold(samples)
    if found.opened:
        assert sum(amps < 0.06 for amps, _ in samples) >= 2


@given(st.lists(st.floats(0.61, 1.3), min_size=1, max_size=60), st.floats(6.5, 14.0))
def test_a_current_above_half_is_never_an_opening(amps: list[float], volts: float) -> None:
    assert not fold([(a, volts) for a in amps]).opened


# At 2 A and 12 V the levels are 0.1 A (gone), 1 A and 6 V (half), all exact in binary but the first.
EDGES = [
    ("exactly half the current is not good", [(2.0, 12.0), (1.0, 11.0)], False, 12.0),
    ("exactly half the volts are not good", [(2.0, 12.0), (2.0, 6.0)], False, 12.0),
    ("volts that are low are not good", [(2.0, 12.0), (2.0, 1.0)], False, 12.0),
    ("volts the wrong way round are not good", [(2.0, 12.0), (2.0, -3.0)], False, 12.0),
    ("a current the wrong way round is not good", [(2.0, 12.0), (-0.5, 12.0)], False, 12.0),
    ("a little more than half is", [(2.0, 12.0), (1.01, 6.01)], False, 6.01),
    ("a twentieth is not gone", [(2.0, 12.0), (0.1, 11.0), (0.1, 11.0)], False, 12.0),
    ("a little less is", [(2.0, 12.0), (0.099, 11.0), (0.099, 11.0)], True, 12.0),
    ("no current, and exactly half the volts", [(0.0, 6.0), (0.0, 6.0)], False, None),
    ("a leak that halves exactly", [(0.04, 12.0), (0.02, 12.0), (0.01, 12.0)], False, None),
    ("gone at the first sample", [(0.0, 0.3)], False, None),
    ("one with, then gone twice apart", [(2.0, 12.0), (0.0, 12.9), (2.0, 12.0), (0.0, 12.9)], False, 12.0),
]


@pytest.mark.parametrize(("samples", "opened", "last_v"), [t[1:] for t in EDGES], ids=[t[0] for t in EDGES])
def test_edges(samples: list[tuple[float, float]], opened: bool, last_v: float | None) -> None:
    found = Opened(set_amps=2.0, nominal_volts=12.0)
    assert math.isnan(found.gone_s)
    for t_s, (amps, volts) in enumerate(samples):
        found.push(float(t_s), amps, volts)
    assert found.opened is opened
    assert (found.last_good[2] if found.last_good else None) == last_v


def test_what_comes_after_an_opening_changes_nothing() -> None:
    found = fold([*RUNNING, (0, 0.02), (0, 0.01), (1.2, 12.5), (0, 0.0)])
    assert (found.opened, found.last_good, found.gone_s) == (True, (1.0, 1.2, 12.05), 2.0)
