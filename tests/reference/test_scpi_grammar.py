"""Message grammar of a simulated instrument against worked items of the standards, see data/scpi-grammar.json."""

from __future__ import annotations

import math
from itertools import product
from typing import Any

import pytest
from scpi_instrument import CHANNELS, GRAMMAR, Instrument

from sims.bench import open_bench
from sims.program_data import MULTIPLIERS, number_text
from sims.talk import Command


@pytest.fixture
def made() -> Instrument:
    return Instrument()


@pytest.mark.parametrize(("text", "value"), GRAMMAR["number_forms"]["cases"])
def test_number_forms(made: Instrument, text: str, value: float) -> None:
    assert float(made.ask(f"NUMB {text};NUMB?")) == pytest.approx(value, rel=1e-15)
    assert made.errors() == []


def test_number_limits(made: Instrument) -> None:
    most = GRAMMAR["number_limits"]
    digits, exponent = most["digits_most"], most["exponent_most"]
    made.ask(f"NUMB 0E{exponent};NUMB {'0' * 99}{'1' * 30}{'.' + '0' * (digits - 30)}")
    assert made.errors() == []
    assert made.kept["NUMBER"] == pytest.approx(float("1" * 30))
    for text, number in ((f"1E{exponent + 1}", -123), (f"1E-{exponent + 1}", -123), ("1" * (digits + 1), -124)):
        made.ask(f"NUMB {text}")
        assert made.errors() == [number]


@pytest.mark.parametrize(("text", "payload"), GRAMMAR["blocks"]["cases"])
def test_blocks(made: Instrument, text: str, payload: str) -> None:
    made.ask(f"MEM:DATA {text}")
    assert made.kept["MEMORY:DATA"] == payload.encode()
    assert made.errors() == []


def test_a_block_that_ends_early(made: Instrument) -> None:
    text, number = GRAMMAR["blocks"]["cut_off"]
    made.ask(f"COUN 3;:MEM:DATA {text}", end=True)
    assert (made.errors(), made.done) == ([number], [("COUNT", 3)])


@pytest.mark.parametrize("around", ["{}", "A{}", "{}B", "A{0}B{0}C"])
@pytest.mark.parametrize("inner", [*GRAMMAR["blocks"]["separators"], "'", '"', "#", "(", "\0", "\xff", "\r\n", " "])
def test_bytes_of_a_block_separate_nothing(made: Instrument, around: str, inner: str) -> None:
    payload = around.format(inner).encode("latin-1")
    block = f"#{len(str(len(payload)))}{len(payload)}".encode() + payload
    made.ask(b"MEM:PAIR 4," + block + b";DATA " + block + b";:COUN 5")
    assert made.done == [("PAIR", 4, payload), ("MEMORY:DATA", payload), ("COUNT", 5)]
    assert made.errors() == []
    made.talker.feed(b"MEM:DATA?\n")
    assert made.talker.feed(b"*IDN?\n").startswith(b"MAKER")


@pytest.mark.parametrize(("pattern", "accepted", "refused"), GRAMMAR["header_forms"]["cases"])
def test_header_forms(pattern: str, accepted: list[str], refused: list[str]) -> None:
    made = one_command(pattern)
    for header in accepted:
        assert made.ask(f"{header}?") == "yes"
    for header in refused:
        assert made.ask(f"{header}?") == ""
        assert made.errors() == [-113]


def one_command(pattern: str) -> Instrument:
    """An instrument with one more header under a node of its own, so that it meets nothing else."""
    made = Instrument()
    made.engine = type(made.engine)(identity="A,B,C,D", commands=(Command(pattern, ask=lambda: "yes"),))
    made.talker = made.engine.connect()
    return made


def test_numeric_suffixes_reach_the_command(made: Instrument) -> None:
    for header, suffix in GRAMMAR["suffix"]["accepted"].items():
        assert made.ask(f"{header}?") == str(suffix)
        made.ask(f"{header} ON")
        assert made.done[-1] == ("OUTP", suffix, True)
    *refused, number = GRAMMAR["suffix"]["refused"]
    for header in refused:
        made.ask(f"{header} ON")
        assert made.errors() == [number]


def test_program_mnemonic_too_long(made: Instrument) -> None:
    most = GRAMMAR["mnemonic_letters_most"]["value"]
    for letters, number in ((most, -113), (most + 1, -112)):
        for header in ("A" * letters, "*" + "A" * letters, "MEAS:" + "A" * letters):
            made.ask(header)
            assert made.errors() == [number]


def test_optional_nodes() -> None:
    wanted = GRAMMAR["optional_nodes"]
    made = one_command(wanted["pattern"])
    spellings = [
        f"{source}VOLT{level}{now}{size}?"
        for source, level, now, size in product(("", "SOUR:"), ("", ":LEV"), ("", ":IMM"), ("", ":AMPL"))
    ]
    assert len(set(spellings)) == wanted["patterns"]
    for header in [*spellings, *(f"{header}?" for header in wanted["accepted"])]:
        assert made.ask(header) == "yes"
    for header in ("SOUR", "LEV", "VOLT:AMPL:LEV", "VOLT:VOLT", "VOLT:SOUR"):
        assert made.ask(f"{header}?") == ""
        assert made.errors() == [-113]


def test_optional_nodes_of_another_open_implementation() -> None:
    made = one_command(GRAMMAR["optional_analogue"]["pattern"])
    for header in GRAMMAR["optional_analogue"]["accepted"]:
        assert made.ask(f"{header}?") == "yes"


@pytest.mark.parametrize(("message", "settings", "numbers"), GRAMMAR["compound"]["cases"])
def test_compound_messages_on_the_simulated_supply(
    message: str, settings: dict[str, float], numbers: list[int]
) -> None:
    """The header path of the standard, on the bench's own supply."""
    talker = open_bench("cabinet", now=lambda: 0.0).connect("supply")
    asks = {"VOLT": "VOLT?", "CURR": "CURR?", "PROT": "VOLT:PROT?", "OUTP": "OUTP?"}
    asks |= {"ENAB": "STAT:OPER:ENAB?", "PTR": "STAT:OPER:PTR?"}
    talker.feed(message.encode() + b"\n")
    for key, value in settings.items():
        assert float(talker.feed(asks[key].encode() + b"\n")) == value
    found = [int(entry.split(",")[0]) for entry in talker.feed(b"SYST:ERR:ALL?\n").decode().split('",')]
    assert found == (numbers or [0])


def test_answers_of_one_message(made: Instrument) -> None:
    message, answer = GRAMMAR["compound"]["answers"]
    assert made.ask(message) == answer
    assert made.ask(f"*IDN?;{message}") == made.engine.identity
    assert made.errors() == [GRAMMAR["compound"]["after_identity"]] * 2


def test_header_separators(made: Instrument) -> None:
    message, number = GRAMMAR["separators"]["header_into_string"]
    made.ask(message)
    assert made.errors() == [number]
    message, numbers = GRAMMAR["separators"]["header_into_digits"]
    made.ask(message)
    (found,) = made.errors()
    assert found in numbers


@pytest.mark.parametrize(("text", "inner"), GRAMMAR["separators"]["strings"])
def test_strings_double_their_delimiter(made: Instrument, text: str, inner: str) -> None:
    made.ask(f"LAB {text};COUN 1")
    assert made.done == [("LABEL", inner), ("COUNT", 1)]


@pytest.mark.parametrize(("name", "factor"), GRAMMAR["multipliers"]["table"].items())
def test_each_multiplier_of_the_table(made: Instrument, name: str, factor: float) -> None:
    for header, unit in (("VOLT", "V"), ("CURR", "A"), ("TIME", "s")):
        assert float(made.ask(f"{header} 2{name}{unit};{header}?")) == pytest.approx(2 * factor, rel=1e-12)
    assert made.errors() == []


def test_no_multiplier_beyond_the_table() -> None:
    assert {name for name in MULTIPLIERS if name} == set(GRAMMAR["multipliers"]["table"])


@pytest.mark.parametrize(("unit", "text", "value"), GRAMMAR["multipliers"]["cases"])
@pytest.mark.parametrize("spelling", [str.upper, str.lower, lambda text: text.replace(" ", "")])
def test_suffix_multipliers(made: Instrument, unit: str, text: str, value: float, spelling: Any) -> None:
    header = {"V": "VOLT", "A": "CURR", "OHM": "RES", "HZ": "FREQ", "S": "TIME", "CEL": "TEMP"}[unit]
    assert float(made.ask(f"{header} {spelling(text)};{header}?")) == pytest.approx(value, rel=1e-12)
    assert made.errors() == []


@pytest.mark.parametrize("case", ["foreign", "none_allowed"])
def test_foreign_suffixes(made: Instrument, case: str) -> None:
    unit, text, number = GRAMMAR["multipliers"][case]
    made.ask(f"{'VOLT' if unit else 'COUN'} {text}")
    assert made.errors() == [number]


@pytest.mark.parametrize("channels", ["", ",(@2)", ",(@1,3:5)"])
def test_words_for_limits(made: Instrument, channels: str) -> None:
    """MIN, MAX and DEF, in a set and in a query, also before a channel list: one answer for each channel."""
    count = {"": 1, ",(@2)": 1, ",(@1,3:5)": 4}[channels]
    for word, value in zip(GRAMMAR["words"]["limits"], (0, 100, 7), strict=True):
        for spelling in (word.upper(), "".join(letter for letter in word if letter.isupper()).lower()):
            assert made.ask(f"LIM? {spelling}{channels}") == ",".join([str(value)] * count)
            made.ask(f"LIM {spelling}{channels}")
            assert made.done[-1][:2] == ("LIM", value)
    made.ask(f"LIM? MAXI{channels}")
    assert made.errors() == [-141]


@pytest.mark.parametrize(("value", "text"), [(math.inf, "inf"), (-math.inf, "-inf"), (math.nan, "nan")])
def test_stand_ins_for_what_is_no_number(value: float, text: str) -> None:
    assert number_text(value, decimals=4) == GRAMMAR["stand_ins"][text]


@pytest.mark.parametrize(("text", "answer"), GRAMMAR["booleans"]["cases"])
def test_booleans(made: Instrument, text: str, answer: str) -> None:
    assert made.ask(f"STAT {text};STAT?") == answer


@pytest.mark.parametrize(("text", "channels"), GRAMMAR["channel_lists"]["cases"])
def test_channel_lists(made: Instrument, text: str, channels: list[int]) -> None:
    made.ask(f"ROUT:CLOS {text}")
    assert made.done == [("CLOS", tuple(channels))]
    assert made.ask(f"LIM? {text}") == ",".join(str(10 * channel) for channel in channels)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        # Which number is for what: the standard's error texts; the choice of -222 for a channel that is not there is
        # common practice, no source.
        ("(@)", -171),
        ("(@1,)", -171),
        ("(@1:)", -171),
        ("(@1:2:3)", -171),
        ("(@x)", -171),
        ("(1,2)", -171),
        ("(@1", -171),
        ("(@1))", -171),
        ("(@-1)", -171),
        ("(@0)", -222),
        (f"(@{CHANNELS + 1})", -222),
        ("(@1:99999999999)", -222),
        ("1", -128),
        ("ALL", -148),
        ("'(@1)'", -158),
        ("#14(@1)", -168),
        ("", -109),
        ("(@1),(@2)", -108),
    ],
)
def test_channel_lists_refused(made: Instrument, text: str, number: int) -> None:
    made.ask(f"ROUT:CLOS {text}")
    assert (made.errors(), made.done) == ([number], [])


def test_a_channel_list_left_out_means_the_first(made: Instrument) -> None:
    made.ask("LIM 3")
    assert made.ask("LIM?") == "10"
    assert made.done == [("LIM", 3, (1,)), ("LIM?", (1,))]
    made.ask("LIM? (@1),2")
    assert made.errors() == [-108]


def test_a_list_of_too_many_channels(made: Instrument) -> None:
    made.ask("ROUT:CLOS (@" + ",".join(["1:8"] * 126) + ")")
    assert made.errors() == [-223]
