"""Two barriers outside the computer, or somebody there: a table of benches, each with what it is refused for."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.barrier_records import CUT_OUTS
from harness.barriers import HAZARDS, MOST_IT, Facts, Tried, refusals, table
from harness.config_bench import CUT_OUTS as WORDS_OF_THE_FILE

ALL_TYPED = dict.fromkeys(("fuse", "joints", "tray", "detector", "air"), "seen to") | {"room": "18"}
SEEN = Tried(load_stop="2026-01-02", typed=ALL_TYPED, pending=False)
"""The load's stop was seen to act and everything was typed."""

PLAIN = Facts(supply="supply", supply_stop="settable")
"""LAN or USB supply and load, the load's own low-volts stop, a pack with BMS, a DC fuse, a thermometer; no contactor,
two wires. Discharge at 0.2 It."""

FLOOR, OVER, COLD, HEAT = "a cell driven", "a cell over-charged", "lithium charged", "the pack overheats"
SHORT, JOINT, HYDROGEN, FIRE = "a short circuit", "a hot or loose", "hydrogen", "a fire spreads"
CHARGE: dict[str, Any] = {"charging": True, "charge_it": 0.2, "procedure": "capacity"}
SEEN_CHARGING = replace(SEEN, supply_stop="2026-01-02", bms_high="2025-12-24")

BENCHES: list[tuple[str, dict[str, Any], Tried, tuple[str, ...], str]] = [
    # name, what differs from the plain bench, what was tried, rows that are refused, words that must be in the remedy
    ("plain, 0.2 It", {}, SEEN, (), ""),
    ("plain, before the run", {}, Tried(), (), ""),
    ("plain, 0.21 It", {"rate_it": 0.21}, SEEN, (JOINT,), "a plan of at most 2 A (0.2 It)"),
    ("plain, 0.5 It", {"rate_it": 0.5}, SEEN, (JOINT,), "a plan of at most 2 A (0.2 It)"),
    ("joint seen, 0.5 It", {"rate_it": 0.5, "joint_seen": True}, SEEN, (), ""),
    ("leads not declared, 0.5 It", {"rate_it": 0.5, "leads_undeclared": ("load", "supply")}, SEEN, (JOINT,),
     "cheapest: lead_mohm of load and supply in the bench file"),
    ("leads not declared, 0.2 It", {"leads_undeclared": ("load",)}, SEEN, (), ""),
    ("leads not declared, lug thermometer", {"rate_it": 0.5, "leads_undeclared": ("load",), "lug_thermometer": True},
     SEEN, (), ""),
    ("leads not declared, 0.51 It", {"rate_it": 0.51, "leads_undeclared": ("load",)}, SEEN, (HEAT, JOINT),
     "at most 2 A (0.2 It)"),
    ("lug thermometer, 0.5 It", {"rate_it": 0.5, "lug_thermometer": True}, SEEN, (), ""),
    ("cut-out at the lug, 0.5 It", {"rate_it": 0.5, "cut_outs": frozenset({"lug"})}, SEEN, (), ""),
    ("joint seen, 0.51 It", {"rate_it": 0.51, "joint_seen": True}, SEEN, (HEAT, JOINT), "at most 5 A (0.5 It)"),
    ("watchdog, no stop in the load", {"load_stop": "undeclared", "load_watchdog": True},
     replace(SEEN, watchdog={"load": "2026-01-02"}), (FLOOR,), "own_low_volts_stop = true for load"),
    ("charging, watchdogs, stop not seen", CHARGE | {"supply_watchdog": True, "load_watchdog": True},
     replace(SEEN, bms_high="2025-12-24", watchdog={"load": "2026-01-02", "supply": "2026-01-02"}), (OVER,), "stops"),
    ("no stop in the load", {"load_stop": "undeclared"}, SEEN, (FLOOR,), "own_low_volts_stop = true for load"),
    ("dialect sets no stop", {"load_stop": "not settable"}, SEEN, (FLOOR,), "a table [low_volts]"),
    ("stop never tried", {}, replace(SEEN, load_stop=""), (FLOOR,), "let it act once"),
    ("no fuse", {"fuse_amps": None}, SEEN, (SHORT,), "fit a DC fuse at the pack terminal"),
    ("fuse not typed", {}, replace(SEEN, typed={k: v for k, v in ALL_TYPED.items() if k != "fuse"}),
     (SHORT,), "off it"),
    ("no BMS", {"bms": False, "bms_low": False}, SEEN, (FLOOR, HEAT, SHORT), "a pack whose BMS watches every cell"),
    ("BMS without its level", {"bms_low": False}, SEEN, (FLOOR,), "bms_cell_low_volts in the pack file"),
    ("BMS without its temperature", {"bms_hot": False}, SEEN, (HEAT,), "bms_temp_max_c in the pack file"),
    ("no tray", {}, replace(SEEN, typed={k: v for k, v in ALL_TYPED.items() if k != "tray"}), (FIRE,), "a tray that"),
    ("nothing typed", {}, replace(SEEN, typed={}), (SHORT, JOINT, FIRE), "read the fuse's rating"),
    ("looking for the BMS's limit", {"procedure": "c-rate"}, SEEN, (FLOOR, HEAT, SHORT), "stay with it"),
    # charging: the plain bench is for a discharge
    ("plain, charging", CHARGE, SEEN, (OVER,), "charge it with somebody there, then --set charge_first=false"),
    ("charge alone", CHARGE | {"procedure": "charge", "rate_it": 0.0}, SEEN, (OVER,), "charge it with somebody there"),
    ("charging, stop seen", CHARGE, replace(SEEN, supply_stop="2026-01-02"), (OVER,), "charge it with somebody"),
    ("charging, BMS seen", CHARGE, replace(SEEN, bms_high="2025-12-24"), (OVER,), "nightbench stops"),
    ("charging, both seen", CHARGE, SEEN_CHARGING, (), ""),
    ("charging, no stop", CHARGE | {"supply_stop": "undeclared"}, SEEN_CHARGING, (OVER,), "own_over_volts_stop = true"),
    ("charging, weak supply", CHARGE | {"supply_ceiling": True}, replace(SEEN, supply_stop="2026-01-02"), (), ""),
    ("charging, cold room", CHARGE, replace(SEEN_CHARGING, typed={k: v for k, v in ALL_TYPED.items() if k != "room"}),
     (COLD,), "a room that stays at 10 degC"),
    ("charging at 0.4 It", CHARGE | {"charge_it": 0.4}, SEEN_CHARGING, (JOINT,), "0.2 It"),
    ("lead-acid, charging", CHARGE | {"lithium": False}, SEEN_CHARGING, (), ""),
    ("lead-acid, no air", CHARGE | {"lithium": False},
     replace(SEEN_CHARGING, typed={k: v for k, v in ALL_TYPED.items() if k != "air"}), (HYDROGEN,), "aired"),
    # what no barrier makes up for
    ("never", {"never": ("a UPS hangs on the bench",)}, SEEN, ("a UPS hangs",), "a UPS hangs"),
    ("UPS", {"subject": "ups", "bms": False, "rate_it": 0.0, "never": ("its output is live",)}, SEEN,
     ("its output",), "live"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "tried", "refused", "remedy"), [row[1:] for row in BENCHES], ids=[r[0] for r in BENCHES]
)
def test_benches(change: dict[str, Any], tried: Tried, refused: tuple[str, ...], remedy: str) -> None:
    found = refusals(replace(PLAIN, **change), tried)
    assert [text for text in found if not text.startswith(refused)] == []
    assert len(found) == len(refused), found
    assert remedy in " | ".join(found)


def test_every_refusal_names_the_cheapest_thing_that_would_make_it_pass() -> None:
    for _, change, tried, _, _ in BENCHES:
        for row in table(replace(PLAIN, **change), tried):
            assert bool(row.cheapest) is not row.enough
            assert row.residual


def test_the_computer_never_counts() -> None:
    """What this program and its guard see stands apart, whatever was tried."""
    for tried in (SEEN, replace(SEEN, guard="2026-01-02")):
        rows = table(replace(PLAIN, load_stop="undeclared", bms=False, bms_low=False), tried)
        assert rows[0].outside == ()
        assert not rows[0].enough
        assert any("guard" in words for words in rows[0].inside)


def test_a_watchdog_of_the_line_is_told_and_counts_for_none() -> None:
    """It acts where computer or line is dead, and keeps still while a program that is wrong talks to it."""
    both = replace(PLAIN, **CHARGE, load_watchdog=True, supply_watchdog=True)
    for tried, load, supply in (
        (Tried(), "let expire for real before the run switches on", "not seen to act"),
        (replace(SEEN_CHARGING, watchdog={"load": "2026-01-02", "supply": "2026-01-03"}), "seen to act 2026-01-02",
         "seen to act 2026-01-03"),
    ):  # fmt: skip
        rows = {row.hazard: row for row in table(both, tried)}
        told = {words: layer for row in rows.values() for layer in row.outside if "watchdog" in (words := layer.words)}
        assert set(told) == {"load's own watchdog of its line", "supply's own watchdog of its line"}
        assert {layer.counts for layer in told.values()} == {0}
        assert load in told["load's own watchdog of its line"].known
        assert supply in told["supply's own watchdog of its line"].known
        without = table(replace(both, load_watchdog=False, supply_watchdog=False), tried)
        assert {row.hazard: row.barriers for row in without} == {name: row.barriers for name, row in rows.items()}


def test_the_plain_bench_says_declared_of_what_was_not_seen() -> None:
    known = {layer.words: layer.known for row in table(PLAIN, SEEN) for layer in row.outside}
    assert known["BMS, lowest cell"] == "declared, not seen to act"
    assert known["load's own low-volts stop"] == "seen to act 2026-01-02"
    assert known["DC fuse of 15 A"] == "fitted; typed at the start"


def test_no_hazard_without_a_bench_that_has_it() -> None:
    seen = {row.hazard for _, change, tried, _, _ in BENCHES for row in table(replace(PLAIN, **change), tried)}
    assert seen == {hazard.words for hazard in HAZARDS}


def test_words_of_the_bench_file() -> None:
    assert set(CUT_OUTS) == set(WORDS_OF_THE_FILE)


# -- whatever the bench ------------------------------------------------------------------------------------------------

DAYS = st.sampled_from(("", "2026-01-02"))
FACTS = st.builds(
    Facts,
    charging=st.booleans(),
    lithium=st.booleans(),
    procedure=st.sampled_from(("capacity", "charge", "c-rate")),
    rate_it=st.sampled_from((0.0, 0.1, 0.2, 0.3, 0.5, 0.6, 2.0)),
    charge_it=st.sampled_from((0.0, 0.2, 0.5, 1.0)),
    load_stop=st.sampled_from(("settable", "undeclared", "not settable")),
    supply_stop=st.sampled_from(("settable", "undeclared", "not settable", "")),
    supply_ceiling=st.booleans(),
    load_watchdog=st.booleans(),
    supply_watchdog=st.booleans(),
    bms=st.booleans(),
    bms_low=st.booleans(),
    bms_high=st.booleans(),
    bms_hot=st.booleans(),
    fuse_amps=st.sampled_from((None, 10.0)),
    lug_thermometer=st.booleans(),
    joint_seen=st.booleans(),
    leads_undeclared=st.sampled_from(((), ("load",))),
    cut_outs=st.frozensets(st.sampled_from(sorted(CUT_OUTS))),
)
TRIED = st.builds(
    Tried,
    load_stop=DAYS,
    supply_stop=DAYS,
    bms_low=DAYS,
    bms_high=DAYS,
    watchdog=st.dictionaries(st.sampled_from(("load", "supply")), DAYS),
    pending=st.booleans(),
    typed=st.none() | st.sets(st.sampled_from(sorted(ALL_TYPED))).map(lambda keys: dict.fromkeys(keys, "18")),
)


@given(facts=FACTS, tried=TRIED)
def test_a_row_passes_with_two_that_count_and_not_else(facts: Facts, tried: Tried) -> None:
    for row in table(facts, tried):
        assert row.enough is (sum(layer.counts for layer in row.outside) >= 2)
        assert bool(row.cheapest) is not row.enough


@given(facts=FACTS, tried=TRIED)
def test_trying_and_typing_more_never_takes_a_barrier_away(facts: Facts, tried: Tried) -> None:
    more = replace(SEEN_CHARGING, bms_low="2026-01-02")
    before = {row.hazard: row.enough for row in table(facts, replace(tried, pending=False, typed=tried.typed or {}))}
    after = {row.hazard: row.enough for row in table(facts, more)}
    assert all(after[hazard] for hazard, enough in before.items() if enough)


@given(facts=FACTS, tried=TRIED)
def test_above_the_highest_rate_nothing_is_left_alone_without_cut_outs(facts: Facts, tried: Tried) -> None:
    fast = replace(facts, rate_it=MOST_IT * 1.02, cut_outs=frozenset())
    assert [text for text in refusals(fast, tried) if text.startswith((HEAT, JOINT))]


def test_no_fact_is_there_for_nothing() -> None:
    """Each field of the facts is drawn above, or named here with the reason why not."""
    left_out = {"subject", "rated_ah", "load", "supply", "short_amps", "never"}
    drawn = {"charging", "lithium", "procedure", "rate_it", "charge_it", "load_stop", "supply_stop", "supply_ceiling"}
    drawn |= {"bms", "bms_low", "bms_high", "bms_hot", "fuse_amps", "lug_thermometer", "joint_seen", "cut_outs"}
    drawn |= {"load_watchdog", "supply_watchdog", "leads_undeclared"}
    assert {field.name for field in fields(Facts)} == drawn | left_out


@pytest.mark.parametrize(
    ("more", "said", "left"),
    [
        (
            {"joint_seen": True},
            "with a voltmeter at each end of",
            "a joint heats in less than a minute",
        ),
        ({"lug_thermometer": True}, "with a thermometer at the lug", "a joint heats in less than a minute"),
    ],
)
def test_a_joint_is_called_seen_where_somebody_sees_it(more: dict[str, Any], said: str, left: str) -> None:
    (row,) = (one for one in table(Facts(rate_it=0.5, **more), SEEN) if one.hazard.startswith(JOINT))
    assert any(layer.words.startswith(f"current of at most 0.5 It, {said}") for layer in row.outside)
    assert row.residual.startswith(left)
    (blind,) = (one for one in table(Facts(rate_it=0.5), SEEN) if one.hazard.startswith(JOINT))
    assert not blind.enough, "sense leads at the pack alone leave the joints out of every reading"
