"""Things that wear, come loose or break in mid-run, each by a fault of the simulated world, each seen in time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from night import Night, Short, Wires, facts, judge, obstinate, spend

from harness.job import Watcher
from harness.loop import Loop
from harness.samplefile import samples

HALF_FULL = Short("capacity", 0.5, ("charge_first=false", "rate_it=0.75", "rest_s=2", "rest_after_s=2"), "load")
AT_THE_KNEE = replace(HALF_FULL, start_share=0.06)
CHARGING = Short("charge", 0.6, ("amps=4",), "supply")
TAPERING = Short("charge", 0.985, ("amps=4",), "supply")
RESTING = replace(HALF_FULL, sets=("charge_first=false", "rate_it=0.75", "rest_s=900"))


@dataclass(frozen=True)
class Worn:
    """A night, what breaks in it ``at_s``, and how late the run may tell something to switch off, s."""

    short: Short
    breaks: Callable[[Any, float], None]
    at_s: float
    says: str
    within_s: float
    exit_code: int = 21
    two_wire: bool = False
    lug: bool = False
    """A thermometer sits at the lug, and nothing else sees what lies between the node and the pack."""
    """Load and supply measure at their own terminals, so that what lies between them and the meter is seen."""


WORN = {
    "meter stands still": Worn(HALF_FULL, lambda w, t: w.freeze("meter", at_s=t), 100, "frozen reading", 61.5, 23),
    "load's voltmeter stands still": Worn(
        HALF_FULL, lambda w, t: w.freeze("load", at_s=t), 100, "frozen reading", 61.5, 23
    ),
    "supply's voltmeter stands still": Worn(
        CHARGING, lambda w, t: w.freeze("supply", at_s=t), 100, "frozen reading", 61.5, 23
    ),
    "thermometer stands still": Worn(
        CHARGING, lambda w, t: w.freeze("thermometer", at_s=t), 100, "frozen reading", 61.5, 23
    ),
    "meter stands still at the knee": Worn(
        AT_THE_KNEE, lambda w, t: w.freeze("meter", at_s=t), 100, "voltmeters disagree", 20.0
    ),
    "sense leads of the load come off": Worn(
        HALF_FULL, lambda w, t: w.sense_off("load", at_s=t), 30, "voltmeters disagree", 6.0
    ),
    "sense leads of the supply come off": Worn(
        CHARGING, lambda w, t: w.sense_off("supply", at_s=t), 30, "voltmeters disagree", 6.0
    ),
    "40 mohm more in a joint, discharging": Worn(
        HALF_FULL, lambda w, t: w.joint("load", at_s=t, step_ohm=0.040), 30, "lead resistance", 15.0, two_wire=True
    ),
    "40 mohm more in a joint, charging": Worn(
        CHARGING, lambda w, t: w.joint("supply", at_s=t, step_ohm=0.040), 30, "lead resistance", 15.0, two_wire=True
    ),
    "a joint that is bad from the very start": Worn(
        HALF_FULL, lambda w, t: w.joint("load", at_s=t, step_ohm=0.080), 1, "lead resistance", 40.0, two_wire=True
    ),
    "a hot lug at the pack, seen by a thermometer": Worn(
        HALF_FULL, lambda w, t: w.joint("pack", at_s=t, step_ohm=0.15), 30, "rise above the room: lug", 120.0, lug=True
    ),
    "1 mohm more each minute": Worn(
        HALF_FULL,
        lambda w, t: w.joint("load", at_s=t, ohm_per_s=0.001 / 60),
        30,
        "lead resistance",
        1400.0,
        two_wire=True,
    ),
    "cells that heat themselves": Worn(HALF_FULL, lambda w, t: w.heat(30.0, at_s=t), 30, "heating", 240.0),
    "cells that heat themselves fast": Worn(HALF_FULL, lambda w, t: w.heat(80.0, at_s=t), 30, "heating", 90.0),
    "cells that heat themselves while charged": Worn(CHARGING, lambda w, t: w.heat(30.0, at_s=t), 30, "heating", 240.0),
    "cells that heat themselves with nothing on": Worn(
        RESTING, lambda w, t: w.heat(30.0, at_s=t), 30, "heating", 240.0
    ),
    "the supply's output drifts, its voltmeter with it": Worn(
        CHARGING, lambda w, t: w.drift(at_s=t, volts_per_s=0.002), 30, "voltmeters disagree", 60.0
    ),
    "the supply's output jumps by half a volt": Worn(TAPERING, lambda w, t: w.drift(at_s=t, volts=0.5), 60, "", 6.0),
}


def two_wire(short: Short) -> Any:
    plain = facts(short)
    return replace(plain, load=replace(plain.load, sense="local"), supply=replace(plain.supply, sense="local"))


def worn(out: Path, one: Worn) -> Night:
    def arrange(wires: Wires) -> None:
        one.breaks(wires.bench.wear, one.at_s)

    plain = facts(one.short)
    with_lug = replace(plain, fitted=(*plain.fitted, "lug"))
    scenario = two_wire(one.short) if one.two_wire else with_lug if one.lug else None
    return spend(out, one.short, arrange=arrange, scenario=scenario)


def off_after_s(night: Night, at_s: float) -> float:
    """From what broke until the run told something to switch off."""
    return min((t for t, _ in night.off_at() if t >= at_s), default=float("inf")) - at_s


@pytest.mark.parametrize("name", WORN)
def test_seen_in_time(name: str, tmp_path: Path) -> None:
    one = WORN[name]
    night = worn(tmp_path, one)
    assert judge(night) == []
    assert night.exit_code == one.exit_code, night.result.end_reason
    assert night.result.end_reason.startswith(one.says), night.result.end_reason
    assert off_after_s(night, one.at_s) <= one.within_s
    assert night.result.figures == {}


def test_a_rising_joint_is_told_before_it_ends_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    on_screen: list[str] = []
    monkeypatch.setattr(Watcher, "warn", lambda _self, text: on_screen.append(text))
    night = worn(tmp_path, WORN["1 mohm more each minute"])
    (told,) = night.events("warning")
    assert on_screen == [told["text"]]
    assert told["text"].startswith("lead resistance: ")
    assert told["elapsed_s"] < night.events("trip")[0]["elapsed_s"] - 60.0


# -- a voltmeter that ended a run, as a witness ------------------------------------------------------------------------


def test_off_is_proven_by_another_voltmeter(tmp_path: Path) -> None:
    """The one that stands still never sees the pack step back."""
    night = worn(tmp_path, WORN["meter stands still"])
    off = night.result.off_confirmation
    assert off is not None
    assert off.confirmed
    assert off.witness.startswith("other instrument (supply)") or off.witness == "same instrument"
    assert "its own voltmeter is doubted" in off.how


def test_and_not_proven_when_none_has_seen_it(tmp_path: Path) -> None:
    """The load says that it is off and that nothing flows, and goes on sinking; the meter stands still."""
    one = WORN["meter stands still"]
    lying: list[bool] = []

    def answer(message: bytes) -> bytes | None:
        if message.startswith(b"INP OFF"):
            lying.append(True)
            return b""
        if lying and message.startswith(b"INP?"):
            return b"0\n"
        return b"0.0000\n" if lying and message.startswith(b"MEAS:CURR") else None

    def arrange(wires: Wires) -> None:
        one.breaks(wires.bench.wear, one.at_s)
        obstinate(wires, "load", answer)

    night = spend(tmp_path, one.short, arrange=arrange)
    assert lying
    assert night.exit_code == 99
    off = night.result.off_confirmation
    assert off is not None
    assert "current ended only with the lowest current set: the output is not proven open" in off.how
    assert any("TREAT THE BENCH AS LIVE" in text for text in night.said)


# -- heat after off --------------------------------------------------------------------------------------------------


def alarms(night: Night) -> list[str]:
    return [text for text in night.said if text.startswith("*** PACK is at ")]


def test_cells_that_go_on_heating_themselves_are_told_again_and_again(tmp_path: Path) -> None:
    """Off ends no runaway: as long as the pack warms somebody is told, and at last that nobody looks any more."""
    night = worn(tmp_path, WORN["cells that heat themselves"])
    assert night.exit_code == 21
    assert len(alarms(night)) >= 10
    temps = [float(text.split()[4]) for text in alarms(night)]
    assert temps == sorted(temps)
    assert night.said[-1].startswith("*** PACK WAS LEFT WARMING at ")
    assert len(night.on_at()) == 1


def test_cells_that_have_calmed_down_are_left(tmp_path: Path) -> None:
    one = WORN["cells that heat themselves"]
    night = worn(tmp_path, replace(one, breaks=lambda w, t: w.heat(30.0, at_s=t, until_s=t + 400.0)))
    assert night.exit_code == 21
    assert 1 <= len(alarms(night)) <= 6
    assert "it has not warmed any more for 5 min" in night.said[-1]


def test_other_ends_are_not_followed_by_it(tmp_path: Path) -> None:
    night = worn(tmp_path, WORN["sense leads of the load come off"])
    assert not any("PACK" in text for text in night.said)


# -- what stands around a run ------------------------------------------------------------------------------------------

AROUND: dict[str, tuple[str, Callable[[float], Any], str, int, float]] = {
    "guard": ("guard_silent_s", lambda s: s, "guard lost: no answer for ", 21, 3.0),
    "disk": ("record_state", lambda s: (s, math.inf), "record behind: the disk has not taken anything for ", 25, 5.0),
    "room": ("record_state", lambda s: (0.0, 101e6 - 1e6 * s), "record behind: ", 25, 1.0),
}


@pytest.mark.parametrize("short", [HALF_FULL, CHARGING, RESTING], ids=["sink", "source", "rest"])
@pytest.mark.parametrize("what", AROUND)
def test_what_stands_around_a_run_fails(
    what: str, short: Short, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From some time on it answers no more: off within one period after its limit, in every phase."""
    name, says, words, exit_code, limit_s = AROUND[what]
    began_s, plain = 30.0, Loop.look

    def look(self: Loop, block: Any) -> Any:
        setattr(self, name, lambda: says(max(0.0, self.clock.now() - began_s)))
        return plain(self, block)

    monkeypatch.setattr(Loop, "look", look)
    night = spend(tmp_path, short)
    assert judge(night) == []
    assert night.exit_code == exit_code
    assert night.result.end_reason.startswith(words), night.result.end_reason
    if night.on_at():
        assert off_after_s(night, began_s) <= limit_s + 1.0 + 0.2


# -- the end of a charge -----------------------------------------------------------------------------------------------

ENDLESS = Short("charge", 0.97, ("amps=4", "longest_s=20000"), "supply")


def test_a_tail_that_never_ends(tmp_path: Path) -> None:
    """A short within the cells takes more than the end current: at constant volts it would go on for ever."""
    night = spend(
        tmp_path,
        ENDLESS,
        arrange=lambda wires: wires.bench.wear.leak(0.6, at_s=1.0),
        pack_text=lambda text: text + "\n[limits]\ntail_longest_s = 1800\n",
    )
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("tail of the charge: 0.50 h at constant volts, limit 0.5 h")
    assert night.result.bench is not None
    (limit,) = (one for one in night.result.bench.limits if one.what == "tail_longest_s")
    assert (limit.value, limit.unit) == (1800.0, "s")
    assert "usually 14400" in limit.source


def test_a_current_that_rises_at_constant_volts(tmp_path: Path) -> None:
    tail: list[float] = []

    def each(_number: int, sample: Any) -> None:
        if sample.state == "sourcing" and not tail and abs(sample.pack_amps) < 0.6:
            tail.append(held[0].clock.now())
            held[0].bench.wear.leak(3.0, at_s=tail[0])

    held: list[Wires] = []
    night = spend(tmp_path, ENDLESS, arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("tail of the charge: the current rises: ")
    assert off_after_s(night, tail[0]) <= 600.0


# -- and nothing else --------------------------------------------------------------------------------------------------


def test_rows_are_kept_up_to_the_trip(tmp_path: Path) -> None:
    night = worn(tmp_path, WORN["sense leads of the load come off"])
    assert night.folder is not None
    rows = list(samples(night.folder))
    assert rows[-1].elapsed_s == pytest.approx(night.events("trip")[0]["elapsed_s"], abs=3.5)
