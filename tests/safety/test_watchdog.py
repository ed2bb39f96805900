"""Instruments' own watchdogs in whole runs: while somebody looks after the bench they never expire, they are armed and
disarmed in order, and one that expires is told by its name.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from dogged import ENERGISES, OFF, ON, SECONDS, dogged, expired, left, night
from night import SHORT, Fault, Night, Wires, facts, judge, obstinate

from harness.findings import Watch
from harness.interlock_bench import DriftOfState

# -- a healthy night ---------------------------------------------------------------------------------------------------


def silences(one: Night) -> dict[str, float]:
    """The longest time for which nothing was said to each instrument while its watchdog was armed, s."""
    armed: dict[str, float] = {}
    worst: dict[str, float] = {}
    for t, who, message in one.wires.heard:
        if who in armed:
            worst[who] = max(worst.get(who, 0.0), t - armed[who])
        if message == ON or who in armed:
            armed[who] = t
        if message == OFF:
            armed.pop(who, None)
    return worst


HEALTHY: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("capacity", {}, {}),
    ("capacity", {}, {"sets": ("charge_first=false", "rate_it=1.5", "rest_s=60", "rest_after_s=60")}),
    ("charge", {}, {"each_message_s": 0.06}),
    ("c-rate", {"idle_drop_s": 0.5}, {}),
    ("voltage-floor", {}, {"without": "mains"}),
    ("charge-ceiling", {}, {}),
]
"""Also with rests, with slow instruments, on lines that are hung up on, and where a person is asked for the mains."""


@pytest.mark.parametrize(
    ("procedure", "habits", "change"), HEALTHY, ids=[f"{p}-{next(iter({**h, **c}), 'plain')}" for p, h, c in HEALTHY]
)
def test_a_night_in_which_all_goes_well_never_lets_it_expire(
    procedure: str, habits: dict[str, Any], change: dict[str, Any], tmp_path: Path
) -> None:
    scenario, short = dogged(procedure, **habits), SHORT[procedure]
    if gone := change.get("without"):
        fitted = tuple(name for name in scenario.fitted if name != gone)
        kept = {name: manners for name, manners in scenario.manners.items() if name != gone}
        scenario = replace(scenario, fitted=fitted, manners=kept)
    short = replace(short, sets=change.get("sets", short.sets))

    def arrange(wires: Wires) -> None:
        wires.before = lambda *said: wires.clock.sleep(change.get("each_message_s", 0.0))

    one = night(tmp_path, procedure, scenario=scenario, short=short, arrange=arrange)
    assert one.exit_code == 0, one.refusal or one.crash or one.result.end_reason
    if not change:
        assert judge(one) == []
    assert expired(one.wires) == []
    longest = silences(one)
    assert set(longest) == {name for name, manners in scenario.manners.items() if manners.shape == "watchdog"} & {
        who for _, who, message in one.wires.heard if message == ON
    }
    assert max(longest.values()) <= 3.0, f"{longest}: a third of its time"


def test_armed_before_it_is_switched_on_and_disarmed_after_off_was_confirmed(tmp_path: Path) -> None:
    one = night(tmp_path, "capacity")
    said = [message for _, who, message in one.wires.heard if who == "load"]
    on, off = said.index(b"INP ON"), max(n for n, message in enumerate(said) if message == b"INP OFF")
    assert said.index(b"SYST:COMM:WATC:TIME 10") < said.index(ON) < said.index(b"SYST:COMM:WATC?", said.index(ON)) < on
    assert off < said.index(b"MEAS:CURR?", off) < said.index(OFF) < said.index(b"SYST:COMM:WATC?", said.index(OFF))
    assert said.count(ON) == said.count(OFF) == 1, "rests are no reason to disarm it"


@pytest.mark.parametrize("stuck", [False, True])
def test_one_that_restarts_while_it_is_disarmed_does_not_stay_on(stuck: bool, tmp_path: Path) -> None:
    """Ours, drawn: off was confirmed, the load restarted with its input on while its watchdog was disarmed, and "off
    confirmed" was said of 4 A."""
    disarmed = [n for n, (_, _, m) in enumerate(night(tmp_path, "capacity").wires.heard) if m == OFF]

    def arrange(wires: Wires) -> None:
        deaf_to = (b"INP OFF", b"FUNC CURR", b"CURR 0.000") if stuck else ()
        obstinate(wires, "load", lambda said: b"" if said in deaf_to and OFF in wires.sent("load") else None)

    one = night(tmp_path, "capacity", fault=Fault("restart-on", disarmed[0]), arrange=arrange)
    assert one.exit_code == (99 if stuck else 23), one.why
    assert left(one.wires) == (["load"] if stuck else [])
    if not stuck:
        assert one.why.startswith("came on again: load, after it was seen off")
        assert judge(one) == []


def test_where_off_is_not_confirmed_it_stays_armed(tmp_path: Path) -> None:
    """It obeys no order that would end its current: its watchdog is one more that may, once nobody speaks any more."""
    deaf_to = (b"INP OFF", b"FUNC CURR", b"CURR 0.000")
    kept: list[Wires] = []

    def arrange(wires: Wires) -> None:
        kept.append(wires)
        obstinate(wires, "load", lambda said: b"" if said in deaf_to and b"INP ON" in wires.sent("load") else None)

    def each(number: int, sample: Any) -> None:
        if number == 8:
            kept[0].bench.connect("load").feed(b"CURR 3\n")

    short = replace(SHORT["capacity"], start_share=0.5)
    scenario = replace(facts(short), manners=dogged("capacity").manners)
    one = night(tmp_path, "capacity", short=short, scenario=scenario, arrange=arrange, each=each)
    assert one.exit_code == 99
    assert OFF not in one.wires.sent("load")
    world = one.wires.bench.world
    assert left(one.wires) == ["load"]
    world.advance_to(one.wires.heard[-1][0] + SECONDS + 0.1)
    assert left(one.wires) == []


# -- one that expires --------------------------------------------------------------------------------------------------


def stalling(state: str, seconds: float) -> tuple[Callable[[Wires], None], Callable[[int, Any], None]]:
    """The loop stands still for so long at the third sample in a state."""
    kept: list[Wires] = []
    seen = [0]

    def each(_: int, sample: Any) -> None:
        seen[0] += sample.state == state and bool(kept[0].on_said())  # type: ignore[attr-defined]
        if seen[0] == 3:
            seen[0] += 1
            kept[0].clock.sleep(seconds)

    def arrange(wires: Wires) -> None:
        wires.on_said = lambda: [m for m in wires.sent() if m in ENERGISES]  # type: ignore[attr-defined]
        kept.append(wires)

    return arrange, each


@pytest.mark.parametrize(
    ("procedure", "state", "sets"),
    [
        ("capacity", "sinking", None),
        ("charge", "sourcing", None),
        ("voltage-floor", "standing in", None),
        ("capacity", "resting", ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=20")),
    ],
)
def test_a_loop_that_stands_still_ends_by_that_name(
    procedure: str, state: str, sets: tuple[str, ...] | None, tmp_path: Path
) -> None:
    """Neither "the pack opened" nor "changed from outside": its current went because nobody spoke to it."""
    arrange, each = stalling(state, 11.0)
    short = SHORT[procedure] if sets is None else replace(SHORT[procedure], sets=sets)
    one = night(tmp_path, procedure, short=short, arrange=arrange, each=each)
    (what,) = expired(one.wires)
    assert one.exit_code in (23, 24), one.result.end_reason
    if state != "resting":
        assert one.exit_code == 24
        assert re.match(r"watchdog expired: (load|supply): own watchdog of its line expired \(11 s nobody spoke\)",
                        one.result.end_reason)  # fmt: skip
    assert "watchdog expired" in one.result.end_reason
    assert what.partition(":")[0] in one.result.end_reason
    assert left(one.wires) == []
    assert one.result.off_confirmation is not None
    assert one.result.off_confirmation.confirmed


@pytest.mark.parametrize(("gap_s", "code", "why"), [(1.0, 23, "look at its line"), (11.0, 24, "11 s nobody spoke")])
@pytest.mark.parametrize("phase", ["rest", "sink", "source", "stand-in", "trace"])
def test_what_it_is_told_as(phase: str, gap_s: float, code: int, why: str) -> None:
    watch = Watch(phase=phase, procedure="capacity", expired="load: expired", gap_s=gap_s, gap_limit_s=3.0)
    nominal: Any = SimpleNamespace(nominal_volts=12.8)
    sample: Any = SimpleNamespace(pack_volts=13.0)
    found = DriftOfState(nominal).judge(sample, watch)
    assert found is not None
    assert (found.words, found.exit_code) == ("watchdog expired", code)
    assert why in found.text


def test_somebody_else_sets_it_otherwise(tmp_path: Path) -> None:
    """Ours: a second client disarms it in mid-run; or shortens it."""
    for said, key in (
        (b"SYST:COMM:WATC OFF\n", "watchdog was on, is off"),
        (b"SYST:COMM:WATC:TIME 50\n", "watchdog_s was"),
    ):
        kept: list[Wires] = []

        def each(number: int, sample: Any, said: bytes = said, kept: list[Wires] = kept) -> None:
            if number == 8:
                kept[0].bench.connect("load").feed(said)

        one = night(tmp_path, "capacity", arrange=kept.append, each=each)
        assert one.exit_code == 21
        assert key in one.result.end_reason


# -- left by an earlier run --------------------------------------------------------------------------------------------


def left_expired(wires: Wires) -> None:
    """An earlier run died: its watchdog acted, and is latched."""
    for text in (b"SYST:COMM:WATC:TIME 5\n", b"SYST:COMM:WATC ON\n"):
        wires.bench.connect("load").feed(text)
    wires.clock.sleep(6.0)
    wires.bench.advance()


def test_what_an_earlier_run_left_is_cleared_with_its_output_off(tmp_path: Path) -> None:
    one = night(tmp_path, "capacity", arrange=left_expired)
    assert one.exit_code == 0, one.refusal
    assert any("as after a run that died; it is cleared" in event["text"] for event in one.events("preflight"))
    assert any(
        "as after a run that died; cleared, with its output off" in event["text"] for event in one.events("note")
    )
    said = one.wires.sent("load")
    assert said.index(b"INP OFF") < said.index(b"SYST:COMM:WATC:CLE") < said.index(b"INP ON")


def test_one_that_only_its_panel_clears_is_for_a_person(tmp_path: Path) -> None:
    shipped = (resources.files("drivers") / "dialects" / "scpi-load-watchdog.toml").read_text("utf-8")
    one = night(
        tmp_path,
        "capacity",
        arrange=left_expired,
        bench_text=lambda text: text.replace('"scpi-load-watchdog"', '"mine.toml"'),
        beside={"mine.toml": shipped.replace('clear = "SYST:COMM:WATC:CLE"\n', "")},
    )
    assert one.exit_code == 11
    assert "clear it at its panel and start again" in one.result.end_reason
    assert not [message for message in one.wires.sent() if message in ENERGISES]
