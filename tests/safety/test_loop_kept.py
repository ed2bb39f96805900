"""The sampling loop: settings read back in turn, what is remembered of the last samples, readings never measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from night import SHORT, Wires, connected, obstinate

from harness.block import Block
from harness.drift import StateKeeper
from harness.interlocks import Interlocks
from harness.loop import Loop
from harness.rig import Rig
from harness.sample import Sample

NAN = float("nan")


# -- settings, looked at alone -----------------------------------------------------------------------------------------


def keeper(out: Path) -> tuple[Wires, StateKeeper, Rig]:
    wires, connection = connected(out, SHORT["capacity"])
    assert connection.rig is not None
    return wires, StateKeeper(connection.rig), connection.rig


def test_an_output_that_is_on_and_should_not_be_is_not_remembered_as_right(tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    wires.bench.connect("supply").feed(b"OUTP ON\n")
    assert states.remember() == "supply: output was off, is on; not by this run"


def test_what_this_run_does_itself_is_expected(tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    assert states.remember() is None
    states.expect_switched("load", on=True)
    wires.bench.connect("load").feed(b"CURR 1;:INP ON\n")
    states.expect("load", "amps", 1.0)
    assert states.check_all() is None
    states.expect_switched("load", on=False)
    assert states.check_all() == "load: input was off, is on; not by this run"


@pytest.mark.parametrize(
    ("name", "arm", "by", "words"),
    [
        ("load", lambda load: load.arm_low_volts(volts=9.2), b"VOLT:PROT:LOW 0\n", "low-volts stop was 9.2, is 0"),
        ("load", lambda load: load.set_amps(amps=2.0), b"CURR 4\n", "amps was 2, is 4"),
        ("load", lambda load: load.set_function("cc"), b"FUNC VOLT\n", "function was cc, is cv"),
        (
            "supply",
            lambda supply: supply.arm_over_volts(volts=15.0),
            b"VOLT:PROT 43\n",
            "over-volts protection was 15, ",
        ),
        ("supply", lambda supply: supply.set_sense(remote=True), b"SENS:REM 0\n", "remote sense was on, is off"),
    ],
)
def test_what_was_armed_is_what_is_remembered(name: str, arm: Any, by: bytes, words: str, tmp_path: Path) -> None:
    """A second client takes away a stop between its read-back and the look at all settings: the run went on, and held
    that nothing was as it should be."""
    wires, states, rig = keeper(tmp_path)
    states.forget()
    arm(rig.drivers[name])
    assert states.remember() is None
    wires.bench.connect(name).feed(by)
    assert (states.remember() or "").startswith(f"{name}: {words}")
    states.forget()
    assert states.remember() is None, "what was set before is nothing to be held any more"


def test_what_is_set_anew_is_held_anew(tmp_path: Path) -> None:
    _, states, rig = keeper(tmp_path)
    load = rig.drivers["load"]
    load.set_amps(amps=2.0)
    load.set_amps(amps=3.0)
    assert states.remember() is None
    load.soften()
    assert states.remember() is None, "softened is not armed"


@pytest.mark.parametrize(("period_s", "turns"), [(1.0, 5), (0.5, 10), (0.1, 50)])
def test_everything_is_read_within_five_seconds(period_s: float, turns: int, tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    states.remember()
    everything = {(name, text) for _, name, text in wires.heard if text.endswith(b"?") and b"IDN" not in text}
    wires.heard.clear()
    for _ in range(turns):
        assert states.check(period_s=period_s) is None
    read = {(name, text) for _, name, text in wires.heard}
    assert read == everything
    assert len(wires.heard) <= len(everything) + turns


def test_one_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == b"CURR?"
        return b"3.000\n" if text == b"CURR?" and count == 1 else None

    obstinate(wires, "load", answer)
    rig.drivers["load"].session.close()
    assert states.check_all() is None
    assert count >= 2


@pytest.mark.parametrize("reply", [b"9.91E37\n", b"0.002\n", b"-0.002\n"])
def test_a_setting_that_is_another_or_no_number(reply: bytes, tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    obstinate(wires, "load", {b"CURR?": reply}.get)
    rig.drivers["load"].session.close()
    words = states.check_all()
    assert words is not None
    assert words.startswith("load: amps was 0, is ")


def test_the_grid_of_a_read_back_is_no_change(tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    obstinate(wires, "load", {b"CURR?": b"0.001\n"}.get)
    rig.drivers["load"].session.close()
    assert states.check_all() is None


# -- what is remembered of the last samples ----------------------------------------------------------------------------


def sample(state: str, amps: float, volts: float) -> Sample:
    return Sample(
        elapsed_s=0.0,
        utc="",
        state=state,
        pack_volts=volts,
        pack_amps=amps,
        charge_ah=0.0,
        energy_wh=0.0,
        pack_temp_c=NAN,
    )


@pytest.mark.parametrize(
    ("phase", "rows", "amps", "volts"),
    [
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", 6.0, 11.8)], 6.0, 11.8),
        # the last one in which everything went missing
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", NAN, NAN)], 6.0, 11.9),
        # off already when the volts of the last one were read
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", 6.0, 12.3)], 6.0, 11.9),
        ("source", [("sourcing", -4.0, 14.0), ("sourcing", -4.0, 14.1), ("sourcing", -4.0, 13.7)], 4.0, 14.1),
        # one absurd current
        ("source", [("sourcing", -4.0, 14.0), ("sourcing", -1.7e10, 14.1)], 4.0, 14.1),
        # samples of another phase say nothing
        ("sink", [("resting", 0.0, 13.0), ("resting", 0.0, 13.0), ("sinking", 6.0, 12.4)], 6.0, 12.4),
        ("sink", [("resting", 0.0, 13.0)], NAN, NAN),
        ("rest", [("resting", 0.0, 13.0)], NAN, NAN),
        ("sink", [], NAN, NAN),
    ],
)
def test_before(phase: str, rows: list[tuple[str, float, float]], amps: float, volts: float, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    assert connection.rig is not None
    loop = Loop(rig=connection.rig, clock=wires.clock, interlocks=Interlocks(None, "capacity"), period_s=1.0)  # type: ignore[arg-type]
    loop._recent.extend(sample(*row) for row in rows)
    before = loop.before(Block(phase=phase, step_ohm=0.05))
    assert before.phase == phase
    assert [before.amps, before.pack_volts] == pytest.approx([amps, volts], nan_ok=True)


# -- readings ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "question", "reply", "flag"),
    [
        ("meter", b"MEAS:VOLT:DC?", b"12800\n", "meter_volts: 12800 is out of range"),
        ("meter", b"MEAS:VOLT:DC?", b"-12800\n", "meter_volts: -12800 is out of range"),
        ("meter", b"MEAS:VOLT:DC?", b"9.91E37\n", "meter_volts: not a number"),
        ("meter", b"MEAS:VOLT:DC?", b"9.9E37\n", "meter_volts: not a number"),
        ("load", b"MEAS:CURR?", b"1.7E10\n", "load_amps: 1.7e+10 is out of range"),
        ("thermometer", b"MEAS:TEMP?", b"850\n", "thermometer_temp_c: 850 is out of range"),
        ("thermometer", b"MEAS:TEMP?", b"-200\n", "thermometer_temp_c: -200 is out of range"),
        ("supply", b"MEAS:VOLT?", b"OVLD\n", "supply: no reading"),
        ("supply", b"MEAS:VOLT?", b"\n", "supply: no reading"),
    ],
)
def test_a_reading_that_was_never_measured(name: str, question: bytes, reply: bytes, flag: str, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    obstinate(wires, name, {question: reply}.get)
    rig.drivers[name].session.close()
    turn = rig.read()
    assert flag in turn.flags
    assert next(column for column, value in turn.readings.items() if value != value).startswith(name)


@pytest.mark.parametrize("reply", [b"-12.8\n", b"26.1\n", b"0.0000\n"])
def test_a_reading_that_is_only_surprising_is_kept(reply: bytes, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    obstinate(wires, "meter", {b"MEAS:VOLT:DC?": reply}.get)
    rig.drivers["meter"].session.close()
    assert rig.read().pack_volts == float(reply)
    assert rig.pack_volts() == float(reply)
