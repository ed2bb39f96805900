"""Every error number of the standard: its class's event bit, its place in the queue. Source: data/scpi-errors.csv.

Numbers and bits are compared; texts only in that there is one, since transcriptions of them vary.
"""

from __future__ import annotations

import pytest
from scpi_instrument import Instrument, rows

from sims.error_texts import HIGHEST, LOWEST, text_of
from sims.headers import Refusal
from sims.status import QUEUE_LENGTH
from sims.talk import Command, Number

ROWS = [(int(row["number"]), int(row["esr_weight"] or 0)) for row in rows("scpi-errors.csv")]
ERRORS = [(number, weight) for number, weight in ROWS if number]


def raising() -> Instrument:
    """An instrument that has the trouble it is told to have."""

    def fail(number: float) -> None:
        raise Refusal(int(number))

    made = Instrument(Command("TROuble", set=fail, data=(Number(LOWEST, HIGHEST, 0, step=1),)))
    made.ask("*CLS")
    return made


def test_the_table_is_the_whole_one() -> None:
    assert (len(ROWS), len(dict(ROWS))) == (122, 122)


@pytest.mark.parametrize(("number", "weight"), ERRORS)
def test_number_and_event_bit(number: int, weight: int) -> None:
    made = raising()
    made.ask(f"TRO {number}")
    assert made.ask("*STB?") == "4"
    assert made.ask("*ESR?") == str(weight)
    entry, text = made.ask("SYST:ERR?").split(",", 1)
    assert entry == str(number)
    assert len(text) > 2
    assert text.startswith('"')
    assert made.ask("SYST:ERR?;*ESR?") == '0,"No error";0'


@pytest.mark.parametrize(
    ("number", "weight", "same_as"),
    [
        # Numbers the table does not have: the class is in the hundreds; positive ones are the instrument's own.
        (-199, 32, -100),
        (-299, 16, -200),
        (-399, 8, -300),
        (-499, 4, -400),
        (1, 8, None),
        (HIGHEST, 8, None),
        (-900, 0, None),
        (LOWEST, 0, None),
    ],
)
def test_unknown_and_positive_numbers(number: int, weight: int, same_as: int | None) -> None:
    made = raising()
    made.ask(f"TRO {number}")
    assert made.ask("*ESR?;:SYST:ERR?") == f'{weight};{number},"{text_of(same_as) if same_as else ""}"'


@pytest.mark.parametrize("number", [0, LOWEST - 1, HIGHEST + 1])
def test_numbers_no_queue_holds(number: int) -> None:
    with pytest.raises(ValueError, match="error number"):
        raising().engine.status.fault(number)


@pytest.mark.parametrize("lost", [1, 2, 50])
def test_overflow(lost: int) -> None:
    """The newest entry gives way to -350, the oldest stay; reading one makes room again."""
    made = raising()
    sent = [number for number, _ in (ERRORS * 2)[: QUEUE_LENGTH + lost]]
    for number in sent:
        made.ask(f"TRO {number}")
    assert made.ask("SYST:ERR:COUN?") == str(QUEUE_LENGTH)
    assert int(made.ask("*ESR?")) & 8
    assert made.ask("SYST:ERR?").startswith(f"{sent[0]},")
    made.ask("TRO -310")
    assert made.errors() == [*sent[1 : QUEUE_LENGTH - 1], -350, -310]


def test_a_detail_stands_behind_the_text_and_fits() -> None:
    status = raising().engine.status
    status.fault(-222, 'volts "40"\n' + "x" * 400)
    number, text = status.next_error().split(",", 1)
    assert number == "-222"
    # SCPI-1999 volume 2, 21.8: 255 characters at most between the quotes.
    assert len(text) == 255 + 2
    assert text.count('"') == 2
