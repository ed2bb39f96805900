"""Switching off what does not obey: asked again, softened, told nothing is proven; and clocks that do not go right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from night import obstinate, truly_off
from off_bench import HARD, OFF, Live

from harness.clock import VirtualClock
from harness.safeoff import LADDER_UNSAFE_S, Before, SafeOff

# -- ladder ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("needed", [1, 2, 3, 6])
def test_asked_again_until_it_obeys(needed: int, tmp_path: Path) -> None:
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == OFF["load"]
        return b"" if text == OFF["load"] and count < needed else None

    def hold(text: bytes) -> bytes | None:
        return b"" if text in (b"CURR 0.000", b"FUNC CURR") else answer(text)

    live = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", hold))
    report = live.off()
    assert report.confirmed
    assert report.tries == count == needed
    assert truly_off(live.wires.bench.world)


def test_rungs_of_the_ladder(tmp_path: Path) -> None:
    """Asked again every half second over a fresh line; told to its lowest current from 1.5 s on; 10 s; then unsafe."""
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", {OFF["load"]: b"", b"FUNC CURR": b""}.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    opened = rig.drivers["load"].session.openings
    report = live.off()
    # Lowest current obeyed: the current is gone, yet it still says that it is on.
    assert abs(live.wires.bench.world.load_amps) < 0.02
    assert report.word == "not confirmed"
    assert report.softened
    assert rig.drivers["load"].session.openings - opened == report.tries
    softened = [t - live.on_s for t, _, text in live.wires.heard if text == b"CURR 0.000"]
    assert len(softened) == 1
    assert 1.4 <= softened[0] <= 2.0
    assert 15 <= report.tries <= 22
    assert LADDER_UNSAFE_S <= report.took_s <= LADDER_UNSAFE_S + 1.0


def test_the_lowest_current_is_never_nought_volts(tmp_path: Path) -> None:
    live = Live(tmp_path, "source", lambda wires: obstinate(wires, "supply", {OFF["supply"]: b""}.get))
    assert live.off().word == "not confirmed"
    told = [text for _, who, text in live.wires.heard if who == "supply" and b"?" not in text]
    assert b"CURR 0.000" in told
    assert not any(text.startswith(b"VOLT") for text in told)


def test_a_current_that_only_the_lowest_setting_ended_is_no_proof_of_an_open_output(tmp_path: Path) -> None:
    """It says off and no current flows, but the input is still closed: whoever raises the setting is live again."""
    says = {OFF["load"]: b"", b"INP?": b"0\n", b"FUNC CURR": b""}
    live = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", says.get))
    report = live.off()
    assert report.word == "not confirmed"
    assert report.softened
    assert "load: told to its lowest current" in report.lines
    assert "current ended only with the lowest current set: the output is not proven open" in report.lines
    assert live.wires.bench.world.load.input_on
    assert abs(live.wires.bench.world.load_amps) < 0.02


@pytest.mark.parametrize("phase", ["sink", "source"])
def test_once_contradicted_only_a_witness_confirms(tmp_path: Path, phase: str) -> None:
    """It says off and reads nothing while the current goes on: asked again later, its word is still worth nothing."""
    name = "load" if phase == "sink" else "supply"
    says = {OFF[name]: b"", b"INP?": b"0\n", b"OUTP?": b"0\n", b"MEAS:CURR?": b"0.000\n"}
    says |= {b"CURR 0.000": b"", b"FUNC CURR": b""}
    live = Live(tmp_path, phase, lambda wires: obstinate(wires, name, says.get))
    first = live.off()
    assert (first.word, first.contradicted) == ("not confirmed", True)
    later = live.safe_off.drive(Before())
    assert (later.word, later.contradicted) == ("not confirmed", True)
    if phase == "source":
        # Near its end a discharged pack no longer comes back to where it was; one that was being charged does.
        live.wires.bench.world.supply.output_on = False
        live.wires.bench.world.changed()
        assert live.safe_off.drive(Before()).confirmed


class FastClock(VirtualClock):
    """Bench time that runs away: one silent line uses up the ladder's ten seconds at once, as on a scaled clock."""

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        super().sleep_until(t_s + 20.0 * (t_s - self.now()), **keys)


def test_time_that_runs_away_does_not_shorten_the_ladder(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", HARD.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = SafeOff(rig=rig, clock=FastClock(), note=live.note).drive(live.before)
    assert report.tries >= 4
    assert report.softened


class StandingClock(VirtualClock):
    """Bench time that stands still while machine time goes on: the control line of a stepped bench has hung up."""

    def __init__(self) -> None:
        super().__init__()
        self.wall_s = 0.0

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        self.wall_s += 0.3
        raise OSError("no time left")

    def wall(self) -> float:
        return self.wall_s


def test_time_that_stands_still_does_not_make_it_last_for_ever(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", HARD.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = SafeOff(rig=rig, clock=StandingClock(), note=live.note).drive(live.before)
    assert report.word == "not confirmed"
    assert LADDER_UNSAFE_S <= report.took_s <= 12.0
