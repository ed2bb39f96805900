"""Headers. Source of the check values: SCPI-1999 volume 1, chapters 5 to 7 (from memory), and IEEE 488.2-1992."""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import pytest

from sims.headers import HeaderTable, Refusal, nodes, short_form, spellings

DATA = Path(__file__).parent / "data"


def short_forms() -> list[tuple[str, str, str]]:
    lines = (DATA / "scpi_short_forms.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [(row["canonical_mixed_case"], row["long_form"], row["short_form"]) for row in rows]


def table(*patterns: str) -> HeaderTable[str]:
    made: HeaderTable[str] = HeaderTable()
    for pattern in patterns:
        made.add(pattern, pattern)
    return made


@pytest.mark.parametrize(("mixed", "long_form", "short"), short_forms())
def test_short_forms_follow_the_rule(mixed: str, long_form: str, short: str) -> None:
    assert short_form(long_form) == short
    assert [(node.short, node.long) for node in nodes(mixed)] == [(short, long_form)]


@pytest.mark.parametrize(("mixed", "long_form", "short"), short_forms())
def test_exactly_two_forms_are_accepted(mixed: str, long_form: str, short: str) -> None:
    headers = table(mixed)
    for end in range(1, len(long_form) + 1):
        abbreviation = long_form[:end]
        if abbreviation in (short, long_form):
            assert headers.find(abbreviation) == headers.find(abbreviation.lower()) == (mixed, ())
        else:
            with pytest.raises(Refusal) as refused:
                headers.find(abbreviation)
            assert refused.value.number == -113


def test_optional_nodes_match_all_sixteen_patterns() -> None:
    headers = table("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    for source, level, now, size in product(("", "SOUR:"), ("", ":LEV"), ("", ":IMM"), ("", ":AMPL")):
        assert headers.find(f"{source}VOLT{level}{now}{size}")
    assert headers.find("SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE")


@pytest.mark.parametrize("header", ["LEV", "SOUR", "VOLT:AMPL:LEV", "VOLT:LEV:LEV", "SOUR:SOUR:VOLT"])
def test_nodes_out_of_place_are_undefined(header: str) -> None:
    with pytest.raises(Refusal) as refused:
        table("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]").find(header)
    assert refused.value.number == -113


@pytest.mark.parametrize("header", ["OUTP", "OUTP1", "OUTPUT1", "outp1:stat", "OUTP01"])
def test_a_missing_suffix_means_one(header: str) -> None:
    assert table("OUTPut#[:STATe]").find(header)


@pytest.mark.parametrize(
    ("header", "number"),
    [("OUTP2", -114), ("OUTP0", -114), ("OUTP:STAT1", -114), ("ABCDEFGHIJKLM", -112), ("OUTPU1", -113)],
)
def test_suffix_and_length_refusals(header: str, number: int) -> None:
    with pytest.raises(Refusal) as refused:
        table("OUTPut#[:STATe]").find(header)
    assert refused.value.number == number


@pytest.mark.parametrize("pattern", ["VOLtage", "[VOLTage", "volt age", "VOLTage::"])
def test_patterns_that_are_not_right_are_refused(pattern: str) -> None:
    with pytest.raises(ValueError, match="header pattern"):
        nodes(pattern)


def test_one_header_cannot_stand_for_two_things() -> None:
    headers = table("SYSTem:ERRor[:NEXT]")
    with pytest.raises(ValueError, match="entered twice"):
        headers.add("SYSTem:ERRor", "again")


def test_words_of_one_short_form_stay_apart() -> None:
    # STATe and STATus shorten to the same word but are not the same node.
    headers = table("OUTPut[:STATe]", "STATus:PRESet")
    assert headers.find("STAT:PRES") == headers.find("STATUS:PRES")
    for wrong in ("STATE:PRES", "OUTP:STATUS"):
        with pytest.raises(Refusal):
            headers.find(wrong)


def test_spellings_are_all_different() -> None:
    made = [spelling for spelling, _ in spellings("[SOURce]:VOLTage[:LEVel]")]
    assert len(made) == len(set(made)) == 3 * 2 * 3
