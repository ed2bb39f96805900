"""Somebody else is on the same instrument: the step is void, the run says who did not do it, no floor is reported.

Source: pyvisa/pyvisa#654 (time-outs whose cause was a second, unknowing user of the same supply).
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran, ran_there, served

from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import load_scenario

ON_BATTERY = ("battery", "battery low")

REMOTE = Manners(remote_needed=True)
SELECT = Manners(shape="select", wired_channel=2)

Do = Callable[[SimBench], None]


def say(name: str, text: str) -> Do:
    return lambda bench: bench.connect(name).feed(text.encode() + b"\n")  # type: ignore[func-returns-value]


def order(words: str) -> Do:
    def do(bench: SimBench) -> None:
        assert bench.do(words) == "done"

    return do


# Habits of the supply, what somebody does between a set-point and its verdict, what the run must say of it.
MEDDLING: dict[str, tuple[Manners, Do, str]] = {
    "a second client sets volts": (Manners(), say("supply", "VOLT 5.00"), "supply: volts was "),
    "a second client sets amps": (Manners(), say("supply", "CURR 0.5"), "supply: amps was "),
    "a second client lifts the over-volts stop": (Manners(), say("supply", "VOLT:PROT 44"), "supply: over_volts was "),
    "a second client switches the output off": (Manners(), say("supply", "OUTP OFF"), "supply: output was on, is off"),
    "a second client resets it": (Manners(), say("supply", "*RST"), "supply: "),
    "a knob is turned": (Manners(), order("turn supply volts 5.00"), "supply: volts was "),
    "the local key is pressed": (REMOTE, order("local supply"), "supply: remote was on, is off"),
    "it restarts": (Manners(), order("reset supply"), "supply: "),
    "another channel is selected": (SELECT, say("supply", "INST:NSEL 1"), "supply: selected was 2, is 1"),
    "a channel is stolen and set": (SELECT, say("supply", "INST:NSEL 1;:VOLT 5.00"), "supply: selected was 2, is 1"),
    "our channel is set by another": (SELECT, say("supply", "INST:NSEL 2;:VOLT 5.00"), "supply: volts was "),
}


def at_a_level(done: list[float], do: Do) -> Callable[[SimBench, Any], None]:
    """Once, while the UPS runs on the stand-in."""

    def each(bench: SimBench, sample: Any) -> None:
        if not done and bench.ups.state in ON_BATTERY and sample.pack_volts < 24.0:
            done.append(sample.elapsed_s)
            do(bench)

    return each


def check(one: Ran, words: str, done: list[float]) -> None:
    result = one.result
    assert done, "nobody did anything"
    assert (one.done.exit_code, result.outcome) == (21, "tripped")
    assert result.end_reason.startswith(f"changed from outside: {words}"), result.end_reason
    assert "not by this run" in result.end_reason
    assert "floor_v" not in result.figures
    assert one.bench.world.supply is not None
    assert not one.bench.world.supply.output_on


@pytest.mark.parametrize("what", MEDDLING)
def test_the_step_is_void(what: str, tmp_path: Path) -> None:
    manners, do, words = MEDDLING[what]
    done: list[float] = []
    one = ran(
        tmp_path, load_scenario("cabinet"), "voltage-floor", manners={"supply": manners}, each=at_a_level(done, do)
    )
    check(one, words, done)


@pytest.mark.parametrize("wire", ["tcp", "pty", "hislip"])
def test_the_step_is_void_over_a_line(wire: str, tmp_path: Path) -> None:
    """The second client has its own connection; on a serial port it is a hand at the knob."""
    done: list[float] = []
    with served(tmp_path, "cabinet", wire=wire) as door:

        def each(sample: Any) -> None:
            if done or door.bench.ups.state not in ON_BATTERY or not sample.pack_volts < 24.0:
                return
            done.append(sample.elapsed_s)
            host, port = door.control.split(":")
            with socket.create_connection((host, int(port)), timeout=5) as line:
                line.sendall(b"do turn supply volts 5.00\n")
                assert line.recv(100) == b"done\n"

        one = ran_there(tmp_path, door, "voltage-floor", each=each)
    check(one, "supply: volts was ", done)


def test_who_only_looks_on_disturbs_nothing(tmp_path: Path) -> None:
    facts = load_scenario("cabinet")
    alone = ran(tmp_path, facts, "voltage-floor").values

    def ask(bench: SimBench, sample: Any) -> None:
        bench.connect("supply").feed(b"*IDN?;:VOLT?;:OUTP?\n")

    assert ran(tmp_path, facts, "voltage-floor", each=ask).values == alone
