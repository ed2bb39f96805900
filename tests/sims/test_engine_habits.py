"""Where an instrument departs from the standard: what the engine lets its owner change."""

from __future__ import annotations

import pytest
from scpi_instrument import Instrument

from sims.talk import Command, Refusal


@pytest.fixture
def made() -> Instrument:
    return Instrument()


@pytest.mark.parametrize(
    ("join", "reply", "numbers"),
    [
        ("joined", b"1;12.01;3.002\n", []),
        ("first", b"1\n", []),
        ("last", b"3.002\n", []),
        ("lines", b"1\n12.01\n3.002\n", []),
        ("refused", b"", [-103]),
    ],
)
def test_several_units_of_one_message(made: Instrument, join: str, reply: bytes, numbers: list[int]) -> None:
    made.engine.join = join
    assert made.talker.feed(b"OUTP?;:COUN 4;:MEAS:VOLT?;CURR?\n") == reply
    assert made.kept == ({} if join == "refused" else {"COUNT": 4})
    assert made.talker.feed(b"OUTP3?\n") == b"3\n"
    assert made.errors() == numbers


def test_answers_are_dressed_by_their_command(made: Instrument) -> None:
    made.engine.dress = lambda answer, command: f"{answer}<{command.header.partition('[')[0]}>"
    assert made.ask("MEAS:VOLT?;:COUN? MAX;*OPC?") == "12.01<MEASure>;100<COUNt>;1<*OPC>"


def test_a_guard_sees_each_unit_and_may_refuse_it(made: Instrument) -> None:
    seen = []

    def guard(command: Command, query: bool) -> None:
        seen.append((command.header, query))
        if not query:
            raise Refusal(-203)

    made.engine.guard = guard
    assert made.ask("COUN 2;COUN?;NONSENSE") == "None"
    assert seen == [("COUNt", False), ("COUNt", True)]
    made.engine.guard = None
    assert made.errors() == [-203, -113]


def test_a_small_buffer_cuts_without_a_word(made: Instrument) -> None:
    made.engine.buffer_bytes = 15
    assert made.ask("COUN 12;NUMB 3.25;*OPC?") == ""
    assert (made.done, made.errors()) == ([("COUNT", 12), ("NUMBER", 3)], [])


@pytest.mark.parametrize(("text", "plain"), [("1E1", False), ("2.5e-1 V", False), ("10", True), ("#HE1", True)])
def test_numbers_with_exponents_may_be_refused(made: Instrument, text: str, plain: bool) -> None:
    made.ask(f"VOLT {text}")
    made.engine.exponents = False
    made.ask(f"VOLT {text}")
    made.engine.exponents = True
    made.ask(f"VOLT {text}")
    assert made.errors() == ([] if plain else [-121])
    assert len(made.done) == (3 if plain else 2)


def test_commands_may_be_added(made: Instrument) -> None:
    made.ask("SYST:REM")
    made.engine.add(Command("SYSTem:REMote", ask=lambda: "there"))
    assert made.ask("SYST:REM?") == "there"
    assert made.errors() == [-113]
    with pytest.raises(ValueError, match="entered twice"):
        made.engine.add(Command("SYSTem:REMote"))
