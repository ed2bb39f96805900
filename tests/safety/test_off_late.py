"""Off that takes long: the contactor is open within 2 s of the first order, whatever flows and whoever is silent; after
10 s it is said aloud, whatever one instrument does meanwhile."""

from __future__ import annotations

from pathlib import Path

import night as nights
import pytest
from off_bench import HARD, Live
from test_contactor import CHARGE_THEN_SINK, spend

from harness.off_report import OffReport
from harness.off_time import LOUD_S
from harness.safeoff import SafeOff

CONTACTOR_S = 2.0
"""From the first order to the contactor's, at the most, s."""


def opened_after_s(night: nights.Night, *, after_s: float = 0.0) -> float:
    """From the first order "off" after an instant to the contactor's, s."""
    first = min(t for t, who in night.off_at() if who != "contactor" and t >= after_s)
    return min(t for t, who, text in night.wires.heard if who == "contactor" and text == b"OUTP OFF") - first


def test_one_that_was_to_stay_closed_opens_when_off_is_in_doubt(tmp_path: Path) -> None:
    """At the end of the first of two blocks the supply takes no notice; the run does not go on without its pack."""

    def hard(wires: nights.Wires) -> None:
        own = {b"OUTP OFF": b"", b"CURR 0.000": b""}
        on: list[bool] = []

        def answer(text: bytes) -> bytes | None:
            on.extend([True] * (text == b"OUTP ON"))
            return own.get(text) if on else None

        nights.obstinate(wires, "supply", answer)

    night = spend(tmp_path, CHARGE_THEN_SINK, hard)
    on_s = night.on_at()[1][0]
    assert night.on_at()[1][1] == "supply"
    assert 1.0 <= opened_after_s(night, after_s=on_s) <= CONTACTOR_S
    assert [who for _, who in night.on_at()] == ["contactor", "supply"], "nothing is switched on after it"
    assert night.exit_code in (21, 99), night.result.end_reason
    assert not night.world.contactor_closed
    assert not abs(night.world.pack_amps) > nights.NO_CURRENT_A


def test_a_run_whose_contactor_had_to_open_ends(tmp_path: Path) -> None:
    """The supply obeys in the end: off is confirmed, and the next block is not begun."""

    def slow(wires: nights.Wires) -> None:
        since: list[float] = []

        def answer(text: bytes) -> bytes | None:
            if text == b"OUTP ON":
                since.append(0.0)
            if text != b"OUTP OFF" or not since:
                return None
            since[0] = since[0] or wires.clock.now()
            return None if wires.clock.now() - since[0] > 2.2 else b""

        nights.obstinate(wires, "supply", answer)

    night = spend(tmp_path, CHARGE_THEN_SINK, slow)
    assert night.exit_code == 21, night.result.end_reason
    assert night.result.end_reason.startswith("off late: off was in doubt")
    assert nights.truly_off(night.world)


@pytest.mark.parametrize("kind", ["gone", "deaf"])
@pytest.mark.parametrize("who", [{"load"}, {"supply"}, {"load", "supply"}])
def test_at_a_trip_nobody_who_is_silent_keeps_it_closed(who: set[str], kind: str, tmp_path: Path) -> None:
    lost_s: list[float] = []

    def arrange(wires: nights.Wires) -> None:
        def before(_number: int, name: str, text: bytes) -> None:
            if name == "load" and text == b"INP ON" and not lost_s:
                lost_s.append(wires.clock.now())
                getattr(wires, kind).update(who)

        wires.before = before

    night = spend(tmp_path, nights.SHORT["capacity"], arrange)
    assert night.exit_code not in (0, 11), night.result.end_reason
    opened = [t for t, name, text in night.wires.heard if name == "contactor" and text == b"OUTP OFF"]
    stopped = [t for t, name in night.off_at() if name != "contactor" and t >= lost_s[0]]
    assert not night.world.contactor_closed
    assert opened[0] <= (min(stopped) if stopped else lost_s[0] + 3.0) + CONTACTOR_S


@pytest.mark.parametrize("boot_s", [0.0, 2.0, 5.0, 9.9])
@pytest.mark.parametrize("kind", ["gone", "deaf", "mute", "hard"])
def test_it_is_said_aloud_after_ten_seconds(boot_s: float, kind: str, tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.clock.wall = live.clock.now  # type: ignore[method-assign]
    said: list[tuple[float, OffReport]] = []
    rig = live.connection.rig
    assert rig is not None
    wire = rig.drivers["load"].session.wire
    wire.close()
    wire.boot_s = boot_s
    if kind == "hard":
        nights.obstinate(live.wires, "load", HARD.get)
    else:
        getattr(live.wires, kind).add("load")
    off = SafeOff(
        rig=rig,
        clock=live.clock,
        note=live.note,
        zero_amps={"supply": 0.022, "load": 0.060},
        loud=lambda report: said.append((live.clock.now(), report)),
    )
    report = off.drive(live.before)
    assert not report.confirmed
    ((at_s, told),) = said
    assert at_s - live.on_s <= LOUD_S + 0.9, "no later than one deadline after it is due"
    assert told.word == "not confirmed"
    assert told.suspects


def test_off_in_time_is_not_said_aloud(tmp_path: Path) -> None:
    said: list[OffReport] = []
    live = Live(tmp_path, "sink")
    live.clock.wall = live.clock.now  # type: ignore[method-assign]
    assert live.connection.rig is not None
    off = SafeOff(rig=live.connection.rig, clock=live.clock, note=live.note, zero_amps={"load": 0.06}, loud=said.append)
    assert off.drive(live.before).confirmed
    assert said == []


def test_whoever_was_alarmed_hears_that_it_is_off_after_all(tmp_path: Path) -> None:
    """One that starts for 9.9 s and then obeys."""
    said: list[OffReport] = []
    live = Live(tmp_path, "sink")
    live.clock.wall = live.clock.now  # type: ignore[method-assign]
    assert live.connection.rig is not None
    wire = live.connection.rig.drivers["load"].session.wire
    wire.close()
    wire.boot_s = 10.0
    off = SafeOff(rig=live.connection.rig, clock=live.clock, note=live.note, zero_amps={"load": 0.06}, loud=said.append)
    assert off.drive(live.before).confirmed
    assert [report.confirmed for report in said] == [False, True]
