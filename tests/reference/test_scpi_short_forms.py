"""Every mnemonic in exactly its two forms, asked of a simulated instrument. Source: data/scpi-short-forms.csv."""

from __future__ import annotations

from string import ascii_uppercase

import pytest
from scpi_instrument import Instrument, rows

from sims.headers import LONGEST_MNEMONIC, short_form
from sims.talk import Command, Engine, Talker

FORMS = [(row["canonical_mixed_case"], row["long_form"], row["short_form"]) for row in rows("scpi-short-forms.csv")]


def talker_of(*patterns: str) -> Talker:
    return Engine(identity="A,B,C,D", commands=[Command(one, ask=lambda: "yes") for one in patterns]).connect()


def refusal(talker: Talker, header: str) -> int:
    """The error number that a query of the header gets."""
    assert talker.feed(f"{header}?\n".encode()) == b""
    (entry,) = talker.feed(b"SYST:ERR:ALL?\n").decode().splitlines()
    return int(entry.partition(",")[0])


def test_there_are_as_many_as_in_the_table() -> None:
    assert len(FORMS) == 67


@pytest.mark.parametrize(("mixed", "long_form", "short"), FORMS)
def test_exactly_two_forms(mixed: str, long_form: str, short: str) -> None:
    assert short_form(long_form) == short
    assert "".join(letter for letter in mixed if letter.isupper()) == short
    for pattern, before in ((mixed, ""), (f"ROOT:{mixed}", "ROOT:"), (f"[ROOT]:{mixed}", "")):
        talker = talker_of(pattern)
        for form in (short, long_form, mixed, short.lower(), long_form.lower(), long_form.capitalize()):
            assert talker.feed(f"{before}{form}?\n".encode()) == b"yes\n"


@pytest.mark.parametrize(("mixed", "long_form", "short"), FORMS)
def test_no_other_form(mixed: str, long_form: str, short: str) -> None:
    talker = talker_of(mixed)
    accepted = {short, long_form}
    cut = {long_form[:end] for end in range(1, len(long_form))}
    longer = {form + letter for form in accepted for letter in ascii_uppercase + "_"}
    for header in sorted((cut | longer) - accepted):
        # A mnemonic of thirteen letters is too long before it is unknown (IEEE 488.2-1992, error -112).
        assert refusal(talker, header) == (-113 if len(header) <= LONGEST_MNEMONIC else -112)


def test_words_of_data_have_two_forms_too() -> None:
    """MIN, MAX and DEF by the same rule, where a number is due."""
    made = Instrument()
    for word in ("MINimum", "MAXimum", "DEFault"):
        short = short_form(word)
        for end in range(1, len(word) + 1):
            made.ask(f"COUN {word[:end]}")
            expected = [] if word[:end].upper() in (short, word.upper()) else [-141]
            assert made.errors() == expected
