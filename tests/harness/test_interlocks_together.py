"""All interlocks together: which is told, where each stands, which is nearest to its limit."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from typing import Any

import pytest
from interlock_samples import ALL_MISSING, FACTS, WATCHES, played

from harness.findings import Finding
from harness.interlock import share
from harness.interlocks import CLASSES, WHERE, Interlocks, Standing, standing


def judge(procedure: str, phase: str, *changes: dict[str, Any]) -> list[Finding | None]:
    locks = Interlocks(FACTS, procedure)
    return [locks.judge(*played(phase, one, number)) for number, one in enumerate(changes)]


OPENED = {"active_amps": 0.0, "pack_volts": 0.3}


def test_an_opened_pack_explains_its_low_volts() -> None:
    """Without a detector of its own a procedure gets "pack opened", not "low volts"."""
    found = judge("somebody's own", "sink", {}, OPENED, OPENED)
    assert found[:2] == [None, None]
    assert found[2] is not None
    assert (found[2].words, found[2].exit_code) == ("pack opened", 22)


def test_where_the_detector_looks_for_it_the_interlock_waits_one_sample_longer() -> None:
    found = judge("capacity", "sink", {}, OPENED, OPENED, OPENED)
    assert found[:3] == [None, None, None]
    assert found[3] is not None
    assert found[3].words == "low volts"


def test_a_certain_finding_goes_before_one_that_asks_again() -> None:
    found = judge("capacity", "sink", {"pack_volts": 7.9, "drift": "load: amps was 6, is 7"})
    assert found[0] is not None
    assert (found[0].words, found[0].again) == ("changed from outside", False)


def test_of_several_the_first_of_the_table_is_told() -> None:
    both = {"pack_volts": 14.9, "pack_temp_c": 61.0}
    found = judge("capacity", "rest", both, both)
    assert found[1] is not None
    assert found[1].words == "high volts"


PACK, LOAD = {"pack_volts": 7.9}, {"load_volts": 7.9}
NO_PACK, NO_LOAD = {"pack_volts": nan}, {"load_volts": nan}


@pytest.mark.parametrize(
    ("looks", "said"),
    [
        # The meter at the pack dips, then the load's own: 12.2 V of a pack in order, times 0.6, are 7.3 V of each.
        ([PACK, LOAD, {}, {}], ["again", "again", None, None]),
        ([LOAD, PACK, {}, {}], ["again", "again", None, None]),
        ([PACK, {}, PACK, {}], ["again", None, "again", None]),
        # One voltmeter twice is enough, whatever the other says; so are both.
        ([PACK, PACK], ["again", "trip"]),
        ([LOAD, LOAD], ["again", "trip"]),
        ([PACK, PACK | LOAD], ["again", "trip"]),
        ([PACK | LOAD, LOAD], ["again", "trip"]),
        ([NO_LOAD | PACK, NO_PACK | LOAD, {}], ["again", "again", None]),
        # By turns they are the third in a row under the stop level: a pack that is empty is off at the third look.
        ([PACK, LOAD, PACK], ["again", "again", "trip"]),
        ([PACK, LOAD, LOAD], ["again", "again", "trip"]),
        ([LOAD, PACK, {"pack_volts": 9.5}], ["again", "again", "trip"]),
        # With nothing read in between it is still the same voltmeter.
        ([PACK, NO_PACK | NO_LOAD, PACK], ["again", None, "trip"]),
    ],
)
def test_under_the_never_below_level_it_must_be_one_voltmeter_twice(
    looks: list[dict[str, Any]], said: list[str | None]
) -> None:
    found = judge("capacity", "sink", *({"load_volts": 13.0} | one for one in looks))
    assert [one and ("again" if one.again else "trip") for one in found] == said
    assert {one.words for one in found if one is not None} == {"low volts"}


def test_filters_start_afresh_with_a_phase() -> None:
    locks = Interlocks(FACTS, "capacity")
    for phase in ("sink", "rest", "sink"):
        assert [locks.judge(*played(phase, {"pack_volts": 9.5}, number)) for number in range(2)] == [None, None]


def test_nothing_is_judged_where_it_is_off() -> None:
    wild = {"active_amps": 99.0, "block_charge_ah": 99.0, "block_s": 1e9}
    assert judge("capacity", "rest", *[wild] * 9) == [None] * 9


@pytest.mark.parametrize("phase", WATCHES)
def test_everything_missing_ends_a_run_at_the_third(phase: str) -> None:
    found = judge("capacity", phase, *[ALL_MISSING] * 3)
    assert found[:2] == [None, None]
    assert found[2] is not None
    assert (found[2].words, found[2].exit_code) == ("no valid reading", 23)


# -- where each stands -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", WATCHES)
@pytest.mark.parametrize("key", CLASSES)
def test_a_procedure_without_rows_has_everything_armed_that_can_be(key: str, phase: str) -> None:
    stranger = standing(key, procedure="somebody's own", phase=phase)
    known = {rows[phase].word for rows in WHERE[key].values() if "sink" in rows}
    assert stranger.word == ("off" if known == {"off"} else "armed")


@pytest.mark.parametrize("phase", WATCHES)
def test_standing_is_the_table(phase: str) -> None:
    for key, by_procedure in WHERE.items():
        for procedure, row in by_procedure.items():
            if phase not in row:
                continue
            assert standing(key, procedure=procedure, phase=phase) is row[phase]


def test_an_armed_one_has_no_reason_and_any_other_has_one() -> None:
    everywhere: list[Standing] = [s for by in WHERE.values() for row in by.values() for s in row.values()]
    assert all((one.word == "armed") is (one.reason == "") for one in everywhere)


# -- how far off -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "whole", "share_left"),
    [(1.0, 2.0, 0.5), (3.0, 2.0, 1.0), (-1.0, 2.0, 0.0), (nan, 2.0, None), (1.0, 0.0, None), (1.0, nan, None)],
)
def test_share(left: float, whole: float, share_left: float | None) -> None:
    assert share(left, whole) == share_left


def test_nearest_names_the_one_with_the_least_way_left() -> None:
    locks = Interlocks(FACTS, "capacity")
    assert locks.nearest(*played("sink", {"pack_volts": 9.7}, 0)) == ("low volts", pytest.approx(0.1 / 3.2))
    assert locks.nearest(*played("sink", {"block_s": 3960.0}, 1)) == ("charge or time", pytest.approx(0.01))


@pytest.mark.parametrize(
    ("phase", "temp_c", "left"),
    [
        ("source", 44.0, 1.0 / 22.5),
        ("source", 0.5, 0.5 / 22.5),
        ("sink", 59.0, 1.0 / 40.0),
        ("sink", -19.0, 1.0 / 40.0),
    ],
)
def test_nearest_to_either_end_of_the_band(phase: str, temp_c: float, left: float) -> None:
    """Of half the band: 0 to 45 degC when charging, -20 to 60 degC when discharging."""
    near = played(phase, {"pack_temp_c": temp_c}, 0)
    assert Interlocks(FACTS, "capacity").nearest(*near) == ("temperature", pytest.approx(left))
    without = Interlocks(replace(FACTS, has_thermometer=False), "capacity").nearest(*near)
    assert without is not None
    assert without[0] != "temperature"


@pytest.mark.parametrize("phase", WATCHES)
def test_nearest_with_everything_missing_says_no_figure_that_is_not_one(phase: str) -> None:
    nearest = Interlocks(FACTS, "capacity").nearest(*played(phase, ALL_MISSING, 0))
    assert nearest is None or 0.0 <= nearest[1] <= 1.0
