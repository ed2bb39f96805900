"""Habits of state: protection that latches, set-points that ramp or are cut, keys, restarts and knobs."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from spoken import SUPPLY, At

from sims.control import Control
from sims.grid import cut
from sims.serve import serve

NO_ERROR = '0,"No error"'

# -- protection --------------------------------------------------------------------------------------------------------


def tripped(**manner: object) -> At:
    """14.6 V programmed and on, over-volts at 14 V: tripped."""
    at = At(supply={"restores_output": True, **manner})
    say = SUPPLY[str(manner.get("shape", "single"))]
    for text in ("VOLT 14.6", "CURR 1", "VOLT:PROT 14", "OUTP ON"):
        at.ask("supply", say(text, 2))
    at.wait(30.0)
    while at.ask("supply", say("VOLT:PROT:TRIP?", 2)) != "1":
        at.wait(600.0)
        assert at.t < 86400.0
    return at


@pytest.mark.parametrize("shape", ["single", "select", "suffix", "list"])
def test_clearing_a_latched_stop_puts_the_output_back(shape: str) -> None:
    at, say = tripped(shape=shape), SUPPLY[shape]
    assert at.ask("supply", say("OUTP?", 2)) == "0"
    at.ask("supply", say("OUTP ON", 2))
    assert at.ask("supply", "SYST:ERR?") == NO_ERROR, "taken without a word"
    assert at.ask("supply", say("OUTP?", 2)) == "0"
    at.ask("supply", say("VOLT:PROT 16", 2))
    at.ask("supply", say("VOLT:PROT:CLE", 2))
    assert at.ask("supply", say("OUTP?", 2)) == "1"
    at.wait(0.1)
    assert at.bench.world.supply_amps > 0.5, "live at once"


def test_it_trips_again_while_the_cause_is_there() -> None:
    at = tripped()
    at.ask("supply", "VOLT:PROT:CLE")
    assert at.ask("supply", "OUTP?") == "1"
    at.wait(600.0)
    assert (at.ask("supply", "OUTP?"), at.ask("supply", "VOLT:PROT:TRIP?")) == ("0", "1")


@pytest.mark.parametrize("off", ["OUTP OFF", "*RST"])
def test_off_first_and_it_stays_off(off: str) -> None:
    at = tripped()
    at.ask("supply", off)
    at.ask("supply", "VOLT 0")
    at.ask("supply", "VOLT:PROT:CLE")
    at.wait(1.0)
    assert (at.ask("supply", "OUTP?"), at.ask("supply", "VOLT:PROT:TRIP?")) == ("0", "0")
    assert at.bench.world.supply_amps <= 0.0


def test_without_the_habit_a_tripped_output_says_no_and_stays_off_when_cleared() -> None:
    at = tripped(restores_output=False)
    at.ask("supply", "OUTP ON")
    assert at.ask("supply", "SYST:ERR?").startswith("-221,")
    at.ask("supply", "VOLT:PROT 16;:VOLT:PROT:CLE")
    assert at.ask("supply", "OUTP?") == "0"


@pytest.mark.parametrize("restores", [True, False])
def test_a_load_that_opened_by_itself(restores: bool) -> None:
    at = At(load={"restores_output": restores})
    at.ask("load", "CURR 2;:VOLT:PROT:LOW 20;:INP ON")
    at.wait(1.0)
    assert (at.ask("load", "VOLT:PROT:LOW:TRIP?"), at.ask("load", "INP?")) == ("1", "0")
    at.ask("load", "INP ON")
    assert at.ask("load", "SYST:ERR?").startswith("0," if restores else "-221,")
    assert at.ask("load", "INP?") == "0"
    at.ask("load", "VOLT:PROT:LOW 0;:VOLT:PROT:CLE")
    assert at.ask("load", "INP?") == ("1" if restores else "0")
    at.ask("load", "VOLT:PROT:LOW 20;:INP ON")
    at.wait(1.0)
    at.ask("load", "INP OFF;:VOLT:PROT:LOW 0;:VOLT:PROT:CLE")
    assert at.ask("load", "INP?") == "0"
    at.wait(1.0)
    assert at.bench.world.load_amps == 0.0


# -- grid --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("grid", "asked", "kept"),
    [
        ("round", "12.3456", "12.3460"),
        ("truncate", "12.3456", "12.3450"),
        ("truncate", "11.4", "11.4000"),
        ("truncate", "11.700000000000001", "11.7000"),
        ("truncate", "11.699999999999999", "11.7000"),
        ("truncate", "0.0009", "0.0000"),
        ("round", "0.0009", "0.0010"),
    ],
)
@pytest.mark.parametrize(("name", "header"), [("supply", "VOLT"), ("load", "CURR"), ("supply", "VOLT:PROT")])
def test_set_points_fall_on_the_grid(grid: str, asked: str, kept: str, name: str, header: str) -> None:
    at = At(**{name: {"grid": grid}})
    at.ask(name, f"{header} {asked}")
    assert at.ask(name, f"{header}?") == kept
    assert at.ask(name, "SYST:ERR?") == NO_ERROR


@given(st.floats(0.0, 1000.0), st.sampled_from([0.001, 0.01, 0.05, 0.1, 1.0]))
def test_a_cut_value_is_on_the_grid_and_not_above(value: float, step: float) -> None:
    kept = cut(value, step=step)
    assert abs(kept / step - round(kept / step)) < 1e-6
    assert -1e-6 * step <= value + 1e-6 * step - kept < step * (1.0 + 2e-6)


@pytest.mark.parametrize("hundredths", range(1000, 1181))
def test_every_step_of_a_decimal_grid_stays_what_it_is(hundredths: int) -> None:
    assert round(cut(hundredths / 100.0, step=0.01) * 100.0, 6) == hundredths
    # Steps reached by subtraction miss their own text by a few units of the last place.
    value = 11.8
    while value > 10.0:
        assert round(cut(value, step=0.01) * 100.0, 6) == round(value * 100.0)
        value -= 0.1


# -- ramps -------------------------------------------------------------------------------------------------------------


def test_volts_arrive_after_the_settling_time() -> None:
    at = At(supply={"settle_s": 2.0})
    at.ask("supply", "VOLT 12;:CURR 5;:OUTP ON")
    at.bench.world.hook_up("none")
    seen = []
    for _ in range(5):
        seen.append(at.bench.world.volts_at("supply"))
        at.wait(0.5)
    assert at.ask("supply", "VOLT?") == "12.0000"
    assert seen == pytest.approx([0.0, 3.0, 6.0, 9.0, 12.0], abs=0.06)
    at.ask("supply", "VOLT 8")
    at.wait(1.0)
    assert at.bench.world.volts_at("supply") == pytest.approx(10.0, abs=0.06)
    at.wait(1.01)
    assert at.bench.world.volts_at("supply") == pytest.approx(8.0, abs=0.02)
    at.ask("supply", "OUTP OFF")
    assert float(at.ask("supply", "MEAS:VOLT?")) < 0.01


def test_current_of_a_load_arrives_after_the_settling_time() -> None:
    at = At(load={"settle_s": 1.0})
    at.ask("load", "CURR 4;:INP ON")
    seen = []
    for _ in range(5):
        seen.append(at.bench.world.load_amps)
        at.wait(0.25)
    assert seen == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0], abs=0.05)


# -- keys, restarts, knobs ---------------------------------------------------------------------------------------------

SETS = {
    "supply": ("VOLT 5", "CURR 1", "OUTP ON", "VOLT:PROT 20", "VOLT:PROT:CLE", "SENS:REM OFF", "*RST"),
    "load": ("CURR 1", "INP ON", "FUNC RES", "VOLT:PROT:LOW 9", "*RST"),
}


@pytest.mark.parametrize("name", ["supply", "load"])
def test_after_the_local_key_nothing_is_set_until_remote(name: str) -> None:
    at = At()
    assert at.ask(name, "SYST:REM?") == "1"
    at.ask(name, "CURR 0.5")
    assert at.bench.do(f"local {name}") == "done"
    assert at.ask(name, "SYST:REM?") == "0"
    before = at.ask(name, "CURR?;VOLT?;:SENS:REM?")
    for text in SETS[name]:
        at.ask(name, text)
        assert at.ask(name, "SYST:ERR?").startswith("-201,"), text
    assert at.ask(name, "CURR?;VOLT?;:SENS:REM?") == before
    assert at.ask(name, "*ESE 4;*ESE?") == "4", "common commands set nothing that hangs on the bench"
    at.ask(name, "SYST:REM")
    at.ask(name, "CURR 1.5")
    assert at.ask(name, "CURR?") == "1.5000"
    at.ask(name, "SYST:LOC")
    assert at.ask(name, "SYST:REM?") == "0"
    assert at.ask(name, "SYST:ERR?") == NO_ERROR


def test_an_instrument_that_needs_remote_wakes_up_in_local() -> None:
    at = At(supply={"remote_needed": True})
    assert at.ask("supply", "VOLT 5") == "NOT IN REMOTE"
    at.ask("supply", "SYST:REM")
    at.ask("supply", "VOLT 5")
    assert at.ask("supply", "VOLT?") == "5.0000"
    assert at.bench.do("reset supply") == "done"
    assert at.ask("supply", "VOLT?") == "NOT IN REMOTE"


@pytest.mark.parametrize("shape", ["single", "select", "suffix", "list"])
def test_a_supply_that_restarts_is_as_at_first(shape: str) -> None:
    at, say = At(supply={"shape": shape}), SUPPLY[shape]
    for text in ("VOLT 14.4", "CURR 1", "OUTP ON"):
        at.ask("supply", say(text, 2))
    at.ask("supply", "*ESE 255;NONSENSE")
    at.wait(10.0)
    assert at.bench.world.supply_amps > 0.9
    assert at.bench.do("reset supply") == "done"
    assert at.bench.world.supply_amps <= 0.0
    assert at.ask("supply", "SYST:ERR?") == NO_ERROR
    assert at.ask("supply", "*ESR?;*ESE?") == "128;0"
    answers = [at.ask("supply", say(text, 2)) for text in ("OUTP?", "VOLT?", "CURR?", "VOLT:PROT?")]
    assert answers == ["0", "0.0000", "0.0000", "44.0000"]


def test_a_load_that_restarts_is_as_at_first() -> None:
    at = At()
    at.ask("load", "FUNC RES;RES 5;:INP ON")
    at.wait(1.0)
    assert at.bench.do("reset load") == "done"
    assert at.bench.world.load_amps == 0.0
    assert at.ask("load", "INP?;:FUNC?") == "0;CURR"


@pytest.mark.parametrize("shape", ["single", "select"])
def test_a_knob_that_is_turned(shape: str) -> None:
    at, say = At(supply={"shape": shape}), SUPPLY[shape]
    for text in ("VOLT 14.4", "CURR 1", "OUTP ON"):
        at.ask("supply", say(text, 2))
    assert at.bench.do("turn supply volts 5.0") == "done"
    assert at.ask("supply", say("VOLT?", 2)) == "5.0000"
    at.wait(1.0)
    assert at.bench.world.supply_amps <= 0.0
    assert at.bench.do("turn supply amps 2") == "done"
    assert at.ask("supply", say("CURR?", 2)) == "2.0000"
    assert at.bench.do("turn load amps 0.7") == "done"
    assert at.ask("load", "CURR?") == "0.7000"


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("turn supply volts", "like that"),
        ("turn supply volts 41", "from 0 to 40"),
        ("turn supply volts -1", "from 0 to 40"),
        ("turn supply volts nan", "from 0 to 40"),
        ("turn supply volts x", "from 0 to 40"),
        ("turn supply ohms 5", "no knob for 'ohms'"),
        ("turn meter volts 5", "no knob for 'volts'; it has: none"),
        ("turn kettle volts 5", "no panel of 'kettle'"),
        ("local supply now", "like that"),
        ("local", "no order 'local'"),
        ("reset", "no order 'reset'"),
    ],
)
def test_what_nobody_can_do_at_a_panel(order: str, words: str) -> None:
    at = At()
    before = at.state()
    assert words in at.bench.do(order)
    assert at.state() == before


def test_the_same_orders_over_the_control_port() -> None:
    with serve("porch", stepped=True) as served:
        control = Control(served)
        talker = served.bench.connect("supply")
        for order in ("turn supply volts 5.0", "local supply"):
            assert control.feed(f"do {order}\n".encode()) == b"done\n"
        talker.feed(b"VOLT 9\n")
        assert talker.feed(b"SYST:ERR?\n").startswith(b"-201,")
        assert talker.feed(b"VOLT?\n") == b"5.0000\n"
        assert control.feed(b"do reset supply\n") == b"done\n"
        assert talker.feed(b"VOLT?;:SYST:REM?\n") == b"0.0000;1\n"
        assert control.feed(b"do turn supply volts 99\n").startswith(b"err volts '99': the knob goes from 0 to 40")


def test_nothing_here_is_nan() -> None:
    at = At(supply={"settle_s": 0.5, "grid": "truncate"}, load={"settle_s": 0.5, "grid": "truncate"})
    at.ask("supply", "VOLT 14;:CURR 1;:OUTP ON;OUTP ON;:VOLT 14")
    at.ask("load", "CURR 1;:INP ON;INP ON;:CURR 1")
    at.wait(2.0)
    assert all(map(math.isfinite, at.state()))
    assert at.bench.world.supply_amps == pytest.approx(1.0, abs=0.03)
