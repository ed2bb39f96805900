"""Every interlock at its edges: just inside, just outside, one sample too few, enough, a reading missing in between."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest
from interlock_edges import EDGES
from interlock_rows import ON_THE_PACK
from interlock_rows_readings import ON_READINGS
from interlock_samples import FACTS, GOOD, WATCHES, Case, facts, played

from harness.findings import Finding
from harness.interlock import Filter
from harness.interlocks import CLASSES

CASES = ON_THE_PACK | ON_READINGS | {name: Case(**row) for name, row in EDGES.items()}


def test_no_edge_hides_another() -> None:
    assert len(CASES) == len(ON_THE_PACK) + len(ON_READINGS) + len(EDGES)


@pytest.mark.parametrize("name", CASES)
def test_edges(name: str) -> None:
    case = CASES[name]
    lock = CLASSES[case.key](facts(case))
    found: list[Finding | None] = [
        lock.judge(*played(case.phase, changes, number)) for number, changes in enumerate(case.samples)
    ]
    first = next((number for number, one in enumerate(found, start=1) if one is not None), 0)
    assert first == case.speaks
    if first:
        finding = found[first - 1]
        assert finding is not None
        assert (finding.again, finding.exit_code) == (case.again, case.exit_code)
        assert case.says in finding.text
        assert "nan" not in finding.text


@pytest.mark.parametrize("key", CLASSES)
def test_every_interlock_has_edges(key: str) -> None:
    spoken = {bool(case.speaks) for case in CASES.values() if case.key == key}
    assert spoken == {True, False}


@pytest.mark.parametrize("needed", [1, 2, 3, 5])
def test_filter_counts_in_a_row(needed: int) -> None:
    one = Filter(needed)
    assert [one.full(inside=False) for _ in range(needed + 1)] == [False] * (needed - 1) + [True, True]
    assert not one.full(inside=True)
    assert one.full(inside=False) is (needed == 1)


# -- one frightening sample --------------------------------------------------------------------------------------------


def low_volts(*values: float) -> list[tuple[bool, bool]]:
    """Whether it spoke, and whether it only asked again, at each value."""
    lock = CLASSES["low-volts"](FACTS)
    found = [lock.judge(*played("sink", {"pack_volts": value}, number)) for number, value in enumerate(values)]
    return [(one is not None, one is not None and one.again) for one in found]


def test_one_dip_at_switch_on_ends_nothing() -> None:
    assert low_volts(13.1, 7.7, 12.9, 12.9) == [(False, False), (True, True), (False, False), (False, False)]


def test_a_dip_seen_twice_counts() -> None:
    assert low_volts(13.1, 7.7, 7.7) == [(False, False), (True, True), (True, False)]


def test_each_dip_is_asked_about_afresh() -> None:
    assert low_volts(7.7, 12.9, 7.7, 12.9)[2] == (True, True)


def test_a_missing_reading_after_a_dip_does_not_forget_it() -> None:
    assert low_volts(7.7, nan, 7.7)[2] == (True, False)


def test_deep_under_the_level_for_long_is_certain_at_once() -> None:
    assert low_volts(9.5, 9.5, 7.7)[2] == (True, False)


# -- over many samples -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", WATCHES)
@pytest.mark.parametrize("key", CLASSES)
def test_a_quiet_night_is_quiet(key: str, phase: str) -> None:
    lock = CLASSES[key](FACTS)
    assert [lock.judge(*played(phase, {}, number)) for number in range(300)] == [None] * 300


@pytest.mark.parametrize(
    ("volts", "spoke_at"),
    [
        ([26.0, 26.0, 26.0], None),
        ([0.0, 2.0, 9.0, 15.0, 26.0, 26.0], None),  # a supply that takes its time to come up
        ([26.0, 9.0, 9.0, 26.0, 9.0, 9.0], None),
        ([26.0, 9.0, 9.0, 9.0], 3),
        ([26.0, nan, 9.0, 9.0, nan, 9.0], 5),
        ([9.0, 9.0, 9.0, 9.0], None),  # never came up: that it does not run is the procedure's to say
    ],
)
def test_low_volts_on_a_stand_in(volts: list[float], spoke_at: int | None) -> None:
    lock = CLASSES["low-volts"](FACTS)
    watch = replace(WATCHES["rest"], phase="stand-in", set_amps=10.0)
    spoke = [n for n, v in enumerate(volts) if lock.judge(replace(GOOD, pack_volts=v), watch) is not None]
    assert (spoke[0] if spoke else None) == spoke_at
