"""The watchdog of a simulated instrument's line: what puts it off, what it does, and what it forgets."""

from __future__ import annotations

import pytest
from spoken import At

from sims.manners import Manners, read_manners

WATC = "SYST:COMM:WATC"


def on(habit: str = "acts", *, seconds: int = 10) -> At:
    """The load taking 2 A with its watchdog armed."""
    at = At(load={"shape": "watchdog", "watchdog": habit}, supply={"shape": "watchdog", "watchdog": habit})
    for text in ("FUNC CURR", "CURR 2", f"{WATC}:TIME {seconds}", f"{WATC} ON", "INP ON"):
        at.ask("load", text)
    return at


def amps(at: At, at_s: float) -> float:
    at.bench.world.advance_to(at_s)
    return at.bench.world.load_amps


def test_it_switches_off_when_nothing_is_said_and_not_sooner() -> None:
    at = on()
    assert amps(at, 9.99) == pytest.approx(2.0, abs=0.02)
    assert amps(at, 10.01) == 0.0, "by the world's truth, with nobody asking"
    at.wait(60.0)
    assert [at.ask("load", text) for text in ("INP?", f"{WATC}:TRIP?", f"{WATC}?", "CURR?")] == [
        "0",
        "1",
        "1",
        "2.0000",
    ]
    at.ask("load", "INP ON")
    assert at.ask("load", "SYST:ERR?").startswith("-221"), "latched"
    at.ask("load", "VOLT:PROT:CLE")
    assert at.ask("load", f"{WATC}:TRIP?") == "1", "no other clear clears it"


@pytest.mark.parametrize("said", ["CURR?", "CURR 2", "NO:SUCH", "CURR 1E9", ";;", "", "*OPC?", "INP OFF;:INP ON"])
def test_whatever_is_said_puts_it_off(said: str) -> None:
    at = on()
    for _ in range(4):
        at.wait(9.0)
        at.ask("load", said)
    assert at.ask("load", "INP?") == "1"


def test_what_is_said_to_another_does_not() -> None:
    at = on()
    for _ in range(4):
        at.wait(3.0)
        at.ask("supply", "VOLT?")
    assert at.ask("load", "INP?") == "0"


@pytest.mark.parametrize(
    ("habit", "off_first", "back"),
    [
        ("acts", False, "0"),
        ("restores", False, "1"),
        ("restores", True, "0"),
        ("insists", True, "1"),
    ],
)
def test_what_clearing_brings_back(habit: str, off_first: bool, back: str) -> None:
    at = on(habit)
    at.wait(11.0)
    if off_first:
        at.ask("load", "INP OFF")
    assert at.ask("load", "INP?") == "0"
    at.ask("load", f"{WATC}:CLE")
    assert at.ask("load", "INP?") == back


def test_one_is_taken_and_never_expires_and_one_comes_back_by_itself() -> None:
    at = on("ignored")
    assert (at.ask("load", f"{WATC}?"), at.ask("load", f"{WATC}:TIME?")) == ("1", "10.0000")
    at.wait(100.0)
    assert at.ask("load", "INP?") == "1"
    at = on("resumes")
    assert amps(at, 100.0) == 0.0
    at.wait(100.0)
    assert at.ask("load", "INP?") == "1", "with the first message"


def test_it_is_off_at_first_and_forgotten_at_a_restart() -> None:
    at = At(supply={"shape": "watchdog"})
    assert (at.ask("supply", f"{WATC}?"), at.ask("supply", f"{WATC}:TIME?")) == ("0", "60.0000")
    for again in ("*RST", "restart"):
        for text in (f"{WATC}:TIME 5", f"{WATC} ON"):
            at.ask("supply", text)
        at.wait(6.0)
        assert at.ask("supply", f"{WATC}:TRIP?") == "1", "with its output off it expires too"
        at.bench.do("reset supply") if again == "restart" else at.ask("supply", again)
        at.wait(100.0)
        answers = [at.ask("supply", f"{WATC}{more}") for more in ("?", ":TIME?", ":TRIP?")]
        assert answers == ["0", "60.0000", "0"], again


def test_a_supply_s_output_goes_too() -> None:
    at = At(supply={"shape": "watchdog"})
    for text in ("VOLT 14.4", "CURR 2", f"{WATC}:TIME 20", f"{WATC} ON", "OUTP ON"):
        at.ask("supply", text)
    at.bench.world.advance_to(19.9)
    assert at.bench.world.supply_amps > 1.9
    at.bench.world.advance_to(20.1)
    assert at.bench.world.supply_amps == pytest.approx(0.0, abs=0.02)


def test_instruments_of_other_shapes_have_none() -> None:
    at = At()
    at.ask("load", f"{WATC} ON")
    assert at.ask("load", "SYST:ERR?").startswith("-113")
    with pytest.raises(
        ValueError, match=r"manners.load.watchdog = 'barks': there are acts, ignored, restores, insists"
    ):
        read_manners({"watchdog": "barks"}, name="load")
    assert Manners().watchdog == "acts"
