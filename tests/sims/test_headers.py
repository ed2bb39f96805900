"""Headers. Source of the check values: SCPI-1999 volume 1, chapters 5 to 7 (from memory), and IEEE 488.2-1992."""

from __future__ import annotations

from itertools import product

import pytest

from sims.headers import HeaderTable, Refusal, nodes, spellings


def table(*patterns: str) -> HeaderTable[str]:
    made: HeaderTable[str] = HeaderTable()
    for pattern in patterns:
        made.add(pattern, pattern)
    return made


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


def test_suffixes_are_told_for_each_place() -> None:
    made: HeaderTable[str] = HeaderTable()
    made.add("[SOURce#]:LIST[:POINt#]", "points", suffixes=4)
    for header, suffixes in {
        "LIST": (1, 1),
        "SOUR3:LIST": (3, 1),
        "LIST:POIN4": (1, 4),
        "SOUR2:LIST:POINT3": (2, 3),
    }.items():
        assert made.find(header) == ("points", suffixes)
    for header in ("LIST2", "SOUR5:LIST", "LIST:POIN0", "SOUR2:LIST1"):
        with pytest.raises(Refusal) as refused:
            made.find(header)
        assert refused.value.number == -114


@pytest.mark.parametrize(("pattern", "suffixes"), [("VOLTage", 2), ("OUTPut#", 0)])
def test_suffixes_need_a_place(pattern: str, suffixes: int) -> None:
    with pytest.raises(ValueError, match="needs a '#'"):
        HeaderTable[str]().add(pattern, "x", suffixes=suffixes)


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
