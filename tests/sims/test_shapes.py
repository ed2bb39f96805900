"""Shapes of instruments: whatever the words, the same orders end in the same world; another channel touches nothing."""

from __future__ import annotations

import pytest
from spoken import MODE_ANSWERS, MODE_WORDS, SUPPLY, At

from sims.bench import open_bench
from sims.manners import Manners
from sims.shapes import SHAPES

SUPPLY_ORDERS = [
    ("VOLT 14.2", ""),
    ("CURR 1.5", ""),
    ("VOLT?", "14.2000"),
    ("CURR?", "1.5000"),
    ("OUTP ON", ""),
    ("OUTP?", "1"),
    ("MEAS:VOLT?", None),
    ("MEAS:CURR?", None),
    ("CURR 0.4", ""),
    ("MEAS:CURR?", None),
    ("SENS:REM OFF", ""),
    ("SENS:REM?", "0"),
    ("MEAS:VOLT?", None),
    ("VOLT:PROT?", "44.0000"),
    ("VOLT:PROT 12", ""),
    ("VOLT:PROT:TRIP?", "1"),
    ("OUTP?", "0"),
    ("VOLT:PROT 15", ""),
    ("VOLT:PROT:CLE", ""),
    ("OUTP ON", ""),
    ("CURR:PROT:STAT ON", ""),
    ("CURR:PROT:STAT?", "1"),
    ("CURR:PROT:TRIP?", "1"),
    ("CURR:PROT:CLE", ""),
    ("CURR:PROT:TRIP?", "0"),
    ("VOLT? MAX", "40.0000"),
]
"""Each order in the plain words, with the answer; None where the plain shape says what it is."""

LOAD_ORDERS = [
    ("CURR 2", ""),
    ("INP ON", ""),
    ("INP?", "1"),
    ("MEAS:CURR?", None),
    ("FUNC?", "CURR"),
    ("FUNC RES", ""),
    ("INP?", "0"),
    ("RES 5", ""),
    ("INP ON", ""),
    ("MEAS:VOLT?", None),
    ("FUNC POW", ""),
    ("POW 20", ""),
    ("INP ON", ""),
    ("MEAS:CURR?", None),
    ("FUNC VOLT", ""),
    ("FUNC?", "VOLT"),
    ("VOLT 13", ""),
    ("INP ON", ""),
    ("FUNC CURR", ""),
    ("VOLT:PROT:LOW 13.5", ""),
    ("VOLT:PROT:LOW:DEL 0.5", ""),
    ("INP ON", ""),
    ("VOLT:PROT:LOW:TRIP?", "1"),
    ("INP?", "0"),
    ("STAT:QUES:COND?", "1"),
    ("VOLT:PROT:CLE", ""),
    ("VOLT:PROT:LOW:TRIP?", "0"),
]


def played(shape: str) -> list[tuple[str, tuple[float, ...]]]:
    at = At(supply={"shape": shape})
    said = []
    if shape == "two-quadrant":
        at.ask("supply", "CURR:NEG 0")
    for text, _ in SUPPLY_ORDERS:
        answer = at.ask("supply", SUPPLY[shape](text, 2))
        at.wait(5.0)
        said.append((answer, at.state()))
    assert at.ask("supply", "SYST:ERR?") == '0,"No error"'
    return said


@pytest.mark.parametrize("shape", SHAPES["supply"])
def test_every_supply_does_the_same(shape: str) -> None:
    expected, said = played("single"), played(shape)
    for (text, due), (answer, state), (plain_answer, plain_state) in zip(SUPPLY_ORDERS, said, expected, strict=True):
        assert state == plain_state, text
        assert answer == (plain_answer if due is None else due), text
        assert plain_answer != "" or due == ""


@pytest.mark.parametrize("shape", ["select", "suffix", "list"])
def test_modes_of_a_channel_stand_in_its_own_register(shape: str) -> None:
    at, say = At(supply={"shape": shape}), SUPPLY[shape]
    for text, condition in (("VOLT 14.2", 0), ("CURR 0.5", 0), ("OUTP ON", 1), ("OUTP OFF", 0), ("CURR 0", 0)):
        at.ask("supply", say(text, 2))
        at.wait(1.0)
        assert at.ask("supply", "STAT:QUES:INST:ISUM2:COND?") == str(condition), text
        assert at.ask("supply", "STAT:QUES:COND?") == ("8192" if condition else "0")
        assert at.ask("supply", "STAT:QUES:INST:ISUM1:COND?") == "0"
    assert at.ask("supply", "STAT:QUES:INST:ISUM4:COND?") == ""
    assert at.ask("supply", "SYST:ERR?").startswith("-114,")


@pytest.mark.parametrize("shape", ["select", "suffix", "list"])
@pytest.mark.parametrize("channel", [1, 3])
def test_orders_to_another_channel_act_there_and_nowhere_else(shape: str, channel: int) -> None:
    at, alone, say = At(supply={"shape": shape}), At(), SUPPLY[shape]
    at.ask("supply", say("VOLT 6", 2))
    for text in ("VOLT 14.2", "CURR 3", "VOLT:PROT 20", "OUTP ON"):
        at.ask("supply", say(text, channel))
        at.wait(30.0)
        alone.wait(30.0)
        assert at.state() == alone.state(), text
    assert float(at.ask("supply", say("MEAS:VOLT?", channel))) == pytest.approx(14.2, abs=0.02)
    assert float(at.ask("supply", say("MEAS:CURR?", channel))) == pytest.approx(0.0, abs=0.01)
    assert at.ask("supply", say("OUTP?", channel)) == "1"
    assert (at.ask("supply", say("VOLT?", 2)), at.ask("supply", say("OUTP?", 2))) == ("6.0000", "0")
    assert at.ask("supply", say("VOLT:PROT?", 2)) == "44.0000"
    at.ask("supply", say("VOLT:PROT 14", channel))
    at.wait(1.0)
    assert at.ask("supply", say("OUTP?", channel)) == "0", "its own stop works on open terminals too"
    at.ask("supply", "*RST")
    assert at.ask("supply", say("VOLT?", channel)) == "0.0000"


@pytest.mark.parametrize("wired", [1, 2, 3])
def test_the_wired_channel_is_the_one_the_manners_name(wired: int) -> None:
    at = At(supply={"shape": "suffix", "wired_channel": wired})
    at.ask("supply", f"SOUR{wired}:VOLT 14;:SOUR{wired}:CURR 1;:OUTP{wired} ON")
    at.wait(1.0)
    assert at.bench.world.supply_amps == pytest.approx(1.0, abs=0.03)


def test_one_selection_for_all_clients() -> None:
    bench = open_bench("porch", now=lambda: 0.0, manners={"supply": Manners(shape="select")})
    one, other = bench.connect("supply"), bench.connect("supply")
    assert one.feed(b"INST:NSEL?\n") == b"1\n"
    one.feed(b"INST:NSEL 2;:VOLT 5\n")
    assert other.feed(b"INST:NSEL?;:VOLT?\n") == b"2;5.0000\n"
    other.feed(b"INST:NSEL 3\n")
    assert one.feed(b"INST:NSEL?;:VOLT?\n") == b"3;0.0000\n"
    one.feed(b"INST:NSEL 4\n")
    assert one.feed(b"SYST:ERR?\n").startswith(b"-222,")
    one.feed(b"*RST\n")
    assert other.feed(b"INST:NSEL?\n") == b"1\n"


def test_a_list_of_several_channels() -> None:
    at = At(supply={"shape": "list"})
    at.ask("supply", "VOLT 3,(@1,3)")
    assert at.ask("supply", "VOLT? (@1:3)") == "3.0000,0.0000,3.0000"
    assert at.ask("supply", "VOLT? MAX,(@1:2)") == "40.0000,40.0000"
    at.ask("supply", "VOLT 7")
    assert at.ask("supply", "VOLT?") == "7.0000", "left out it is channel 1"
    at.ask("supply", "OUTP ON,(@4)")
    assert not at.ask("supply", "SYST:ERR?").startswith("0,")
    assert at.ask("supply", "OUTP? (@1:3)") == "0,0,0"


@pytest.mark.parametrize(("shape", "text"), [("mode", "FUNC CURR"), ("mode", "INP ON"), ("function", "LOAD ON")])
def test_a_load_knows_the_words_of_its_own_shape_only(shape: str, text: str) -> None:
    at = At(load={"shape": shape})
    at.ask("load", text)
    assert at.ask("load", "SYST:ERR?").startswith("-113,")
    assert not at.bench.world.load.input_on  # type: ignore[union-attr]


def test_every_load_does_the_same() -> None:
    plain, mode = At(), At(load={"shape": "mode"})
    for text, due in LOAD_ORDERS:
        answer, other = plain.ask("load", text), mode.ask("load", MODE_WORDS.get(text, text))
        for at in (plain, mode):
            at.wait(2.0)
        assert plain.state() == mode.state(), text
        assert MODE_ANSWERS.get(other, other) == answer, text
        assert due is None or answer == due, text
    assert mode.ask("load", "SYST:ERR?") == '0,"No error"'


# -- relays ------------------------------------------------------------------------------------------------------------

RELAY_ORDERS = [("mains", True), ("acload", True), ("mains", False), ("acload", False), ("mains", True)]


def test_a_relay_box_does_what_single_switches_do() -> None:
    plain, box = At("cabinet"), At("cabinet", mains={"shape": "route"})
    channel = {"mains": 1, "acload": 2}
    for at in (plain, box):
        at.bench.do("wire ups")
    for name, on in RELAY_ORDERS:
        plain.ask(name, f"OUTP {'ON' if on else 'OFF'}")
        box.ask("mains", f"ROUT:{'CLOS' if on else 'OPEN'} (@{channel[name]})")
        for at in (plain, box):
            at.wait(10.0)
        ups, other = plain.bench.ups, box.bench.ups
        assert (ups.mains_on, ups.ac_load_on, ups.state) == (other.mains_on, other.ac_load_on, other.state)
        assert plain.bench.world.ups_amps == box.bench.world.ups_amps
        assert plain.bench.world.events == box.bench.world.events
        assert box.ask("acload", f"ROUT:CLOS? (@{channel[name]})") == plain.ask(name, "OUTP?")
    assert box.ask("mains", "ROUT:CLOS? (@1:3)") == "1,0,0"
    assert box.ask("mains", "ROUT:OPEN? (@1,2)") == "0,1"
    assert box.ask("mains", "SYST:ERR?") == '0,"No error"'


def test_a_relay_box_is_one_instrument_under_several_names() -> None:
    at = At("cabinet", mains={"shape": "route"})
    assert at.bench.shared == {"acload": "mains"}
    assert at.bench.port("acload") is at.bench.port("mains")
    assert at.ask("mains", "*IDN?") == at.ask("acload", "*IDN?") == "NIGHTBENCH,SIM-RELAYS,cabinet-5,1.0"
    at.ask("acload", "NONSENSE")
    assert at.ask("mains", "SYST:ERR?").startswith("-113,")
    assert at.bench.switches.keys() == {"mains", "ac-load"}
    assert not At("cabinet").bench.shared


@pytest.mark.parametrize(
    ("message", "error"),
    [("ROUT:CLOS (@4)", -222), ("ROUT:CLOS (@0)", -222), ("ROUT:CLOS 1", -128), ("ROUT:CLOS", -109), ("OUTP ON", -113)],
)
def test_what_a_relay_box_refuses(message: str, error: int) -> None:
    at = At("cabinet", acload={"shape": "route"})
    at.ask("mains", message)
    assert at.ask("mains", "SYST:ERR?").startswith(f"{error},")
    at.wait(1.0)
    assert at.ask("mains", "ROUT:CLOS? (@1:3)") == "0,0,0"


def test_a_channel_of_the_box_with_nothing_on_it_moves_nothing() -> None:
    at = At("cabinet", mains={"shape": "route"})
    at.ask("mains", "ROUT:CLOS (@3)")
    at.wait(1.0)
    assert at.ask("mains", "ROUT:CLOS? (@3)") == "1"
    assert at.bench.world.contactor_closed, "no contactor is fitted: there is a lead"
    at.ask("mains", "ROUT:CLOS (@1,2);OPEN:ALL")
    at.wait(1.0)
    assert at.ask("mains", "ROUT:CLOS? (@1:3)") == "0,0,0"


# -- what is refused ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "shape", "words"),
    [
        ("supply", "mode", "there are single, two-quadrant, select, suffix, list, watchdog"),
        ("load", "list", "there are function, mode, watchdog"),
        ("mains", "single", "there are output, route"),
        ("meter", "select", "has one shape only"),
    ],
)
def test_a_shape_an_instrument_has_not(name: str, shape: str, words: str) -> None:
    with pytest.raises(ValueError, match=f"manners.{name}.shape = '{shape}'.*{words}"):
        At("cabinet", **{name: {"shape": shape}})


# -- the two-quadrant supply -------------------------------------------------------------------------------------------


def test_after_reset_a_two_quadrant_supply_takes_all_it_can() -> None:
    """The danger: nothing was set but volts below the pack's, and the pack is discharged as hard as it can."""
    at = At(supply={"shape": "two-quadrant"})
    at.ask("supply", "*RST")
    assert at.ask("supply", "CURR:NEG?") == at.ask("supply", "CURR:NEG? MAX") == "15.0000"
    at.ask("supply", "VOLT 10;:OUTP ON")
    at.wait(1.0)
    assert at.bench.world.pack_amps == pytest.approx(15.0, abs=0.03)
    assert float(at.ask("supply", "MEAS:CURR?")) == pytest.approx(-15.0, abs=0.03)
    assert at.ask("supply", "STAT:QUES:COND?") == "1", "limited in current"
    at.ask("supply", "CURR:NEG 0.5")
    at.wait(1.0)
    assert at.bench.world.pack_amps == pytest.approx(0.5, abs=0.02)
    at.ask("supply", "CURR:NEG 15;:VOLT 12.9")
    at.wait(1.0)
    assert at.ask("supply", "STAT:QUES:COND?") == "2", "it holds the volts while it sinks"
    assert 0.5 < at.bench.world.pack_amps < 14.0
    at.ask("supply", "OUTP OFF")
    at.wait(1.0)
    assert at.bench.world.pack_amps < 0.01
    at.ask("supply", "CURR:NEG 16")
    assert at.ask("supply", "SYST:ERR?").startswith("-222,")


@pytest.mark.parametrize("shape", ["single", "select", "suffix", "list"])
def test_no_other_supply_knows_a_sink_limit_or_reads_below_zero(shape: str) -> None:
    at, say = At(supply={"shape": shape}), SUPPLY[shape]
    for text in ("VOLT 10", "CURR 1", "OUTP ON"):
        at.ask("supply", say(text, 2))
    at.wait(1.0)
    assert float(at.ask("supply", say("MEAS:CURR?", 2))) == 0.0
    at.ask("supply", say("CURR:NEG 1", 2))
    assert at.ask("supply", "SYST:ERR?").startswith("-113,")


def test_a_sink_takes_what_a_ups_charges_with() -> None:
    at = At("cabinet", supply={"shape": "two-quadrant"})
    at.bench.do("wire ups")
    at.ask("supply", "VOLT 26;CURR 1;:CURR:NEG 5;:OUTP ON")
    at.wait(2.0)
    at.ask("mains", "OUTP ON")
    at.wait(60.0)
    world = at.bench.world
    assert world.ups_amps == pytest.approx(-0.9, abs=0.01), "its charger's limit"
    assert world.supply_amps == pytest.approx(world.ups_amps, abs=1e-6)
    assert world.volts_at("node") == pytest.approx(26.0, abs=0.03)
    at.ask("supply", "CURR:NEG 0.3")
    at.wait(60.0)
    assert world.supply_amps == pytest.approx(-0.3, abs=0.02)
    assert world.volts_at("node") == pytest.approx(27.3, abs=0.1), "the charger reaches its float volts"
