"""The sampling loop: lines that die and come back, instruments that stop by themselves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Fault, Wires, connected, judge, obstinate, spend
from night_clocks import RunningClock

from harness.drift import SILENT_MOST, UNREAD_MOST
from harness.reading import PATIENCE_S

NAN = float("nan")
LONGER = replace(SHORT["capacity"], start_share=0.10)
"""Some two minutes of discharge."""


# -- lines -------------------------------------------------------------------------------------------------------------


def test_with_every_line_dead_a_turn_is_cut_short(tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    wires.deaf |= set(wires.names)
    wires.heard.clear()
    began = wires.clock.now()
    turn = rig.read(wall=wires.clock.now)
    assert wires.clock.now() - began <= PATIENCE_S + 0.8
    assert {name for _, name, _ in wires.heard} == {"supply", "load"}
    assert turn.dead == set(wires.names)
    assert [flag for flag in turn.flags if "not asked" in flag] == [
        "meter: not asked, the others took too long",
        "thermometer: not asked, the others took too long",
    ]
    assert all(value != value for value in turn.readings.values())


def test_without_a_failure_nobody_is_left_out(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    slow = iter(range(1000))
    assert rig.read(wall=lambda: float(next(slow))).dead == frozenset()


@pytest.mark.parametrize("lost", [{"supply", "load", "meter", "thermometer"}, {"load", "meter"}, {"supply", "load"}])
def test_a_switch_that_fails_takes_several_at_once(lost: set[str], tmp_path: Path) -> None:
    """Off is sent within a few seconds however many deadlines have to be waited for."""
    held: list[Wires] = []
    struck: list[float] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].deaf |= lost
            struck.append(held[0].clock.now())

    night = spend(tmp_path, SHORT["capacity"], clock=RunningClock(), arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code in (90, 99)
    off_s = next(t for t, who in night.off_at() if who == "load" and t >= struck[0])
    assert off_s - struck[0] <= 6.0


def in_mid_run(out: Path, procedure: str) -> int:
    """The number of a message to the energised instrument, some turns after it was switched on."""
    heard = spend(out, SHORT[procedure]).wires.heard
    begun = next(i for i, (_, _, text) in enumerate(heard) if text in (b"INP ON", b"OUTP ON"))
    wanted = (SHORT[procedure].active, b"MEAS:VOLT?")
    return next(i for i, (_, *one) in enumerate(heard) if i > begun + 40 and tuple(one) == wanted)


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_a_line_that_comes_back_is_looked_at_at_once(procedure: str, tmp_path: Path) -> None:
    """It hangs up once, the instrument keeps everything: its whole state is read in the next turn, the run goes on."""
    active = SHORT[procedure].active
    whole = {"load": 7, "supply": 6}[active]
    at = in_mid_run(tmp_path, procedure)
    night = spend(tmp_path, SHORT[procedure], fault=Fault("drop", at))
    assert judge(night) == []
    assert night.exit_code == 0
    hit_s = night.wires.heard[at][0]
    turn = [text for t, who, text in night.wires.heard[at + 1 :] if who == active and hit_s < t <= hit_s + 1.0]
    asked = [text for text in turn if text.endswith(b"?") and not text.startswith((b"MEAS", b"*IDN"))]
    assert len(asked) >= whole


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_an_instrument_that_restarted_is_told_as_that(procedure: str, tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT[procedure], fault=Fault("restart", in_mid_run(tmp_path, procedure)))
    assert judge(night) == []
    assert night.exit_code == 21
    assert "not by this run" in night.result.end_reason


def test_settings_that_can_not_be_read_back_end_the_run(tmp_path: Path) -> None:
    """It measures well, and answers one question with nonsense for ever: nobody would see it changed."""
    held: list[Wires] = []
    asked: list[float] = []

    def answer(text: bytes) -> bytes | None:
        if text == b"VOLT:PROT:LOW?" and held[0].bench.world.load.input_on:
            asked.append(held[0].clock.now())
            return b"WHO KNOWS\n"
        return None

    def arrange(wires: Wires) -> None:
        held.append(wires)
        obstinate(wires, "load", answer)

    night = spend(tmp_path, LONGER, arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == 23
    assert f"load: low_volts could not be read back {UNREAD_MOST} times in a row" in night.result.end_reason
    assert asked[-1] - asked[0] <= 2 * 5.0 + 0.01


def test_a_silent_instrument_without_current_is_given_ten_turns(tmp_path: Path) -> None:
    night = spend(tmp_path, LONGER, fault=Fault("gone", 200), arrange=None)
    assert night.wires.faults[0].hit is not None
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].gone.add("supply")

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 99
    assert f"supply did not answer {SILENT_MOST} times in a row" in night.result.end_reason


# -- an instrument stops by itself -------------------------------------------------------------------------------------


def test_a_load_that_gets_too_hot_says_so_and_gives_no_capacity(tmp_path: Path) -> None:
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].bench.world.load.sink_temp_c = 120.0

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason == "switched off by itself: load: over-temperature stop tripped"
    assert night.result.figures == {}
    assert len(night.on_at()) == 1


def test_a_load_that_throttles_is_seen(tmp_path: Path) -> None:
    """It carries less than it is told, without a word: ends, and no capacity is given."""
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            port = held[0].bench.world.load
            port.amps_set *= 0.78
            held[0].bench.world.changed()

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("set against measured: 9.3")
    assert night.result.figures == {}


def test_a_supply_that_trips_its_own_over_volts_stop(tmp_path: Path) -> None:
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            world = held[0].bench.world
            world.supply.over_volts = 13.0
            world.changed()

    night = spend(tmp_path, SHORT["charge"], arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("switched off by itself: supply: ")
    assert night.result.figures == {}
