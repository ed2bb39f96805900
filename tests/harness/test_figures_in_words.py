"""Numbers as people read them: rounded to their uncertainty, with their unit, and text that acts on nothing."""

from __future__ import annotations

from datetime import datetime

import pytest

from harness.digits import duration, rounded, symbol
from harness.plain import basic_stamp, safe_text, utc_stamp
from harness.result import (
    Figure,
)
from harness.show import figure_words


@pytest.mark.parametrize(
    ("value", "uncertainty", "texts"),
    [
        # JCGM 100:2008, 7.2.2 and 7.2.6: 100,021 47 g with u 0,35 mg; 10,057 62 ohm with 27 mohm; 28,05 kHz to 28 kHz.
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        (10.05762, 0.027, ("10.058", "0.027")),
        (0.0, 28.05, ("0", "28")),
        (9.87312, 0.05186, ("9.873", "0.052")),
        (56789.2, 1234.0, ("56800", "1200")),
        (1.0, 0.0996, ("1.00", "0.10")),
        (12.8, 0.0, ("12.8", "0")),
        (-3.4567, 0.0123, ("-3.457", "0.012")),
        (1e6, 1e-3, ("1000000.0000", "0.0010")),
        (0.125, 1e-30, ("0.1250000000000000000000000000000", "0.0000000000000000000000000000010")),
    ],
)
def test_rounding(value: float, uncertainty: float, texts: tuple[str, str]) -> None:
    assert rounded(value, uncertainty) == texts


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_rounding_refuses_what_is_no_number(bad: float) -> None:
    with pytest.raises(ValueError, match="not finite"):
        rounded(bad, 1.0)
    with pytest.raises(ValueError, match="not finite"):
        rounded(1.0, bad)


def test_units_and_times_as_people_read_them() -> None:
    assert [symbol(unit) for unit in ("A.h", "W.h", "Cel", "V", "1")] == ["Ah", "Wh", "degC", "V", ""]
    assert duration(100_000.4) == "27:46:40"


CAPACITY = Figure(value=9.87312, unit="A.h", expanded_uncertainty=0.05186, coverage_factor=2.0)


@pytest.mark.parametrize(
    ("figure", "words"),
    [
        (CAPACITY, "9.873 +/- 0.052 Ah (k = 2.00)"),
        (Figure(value=25.9, unit="V"), "25.9 V (uncertainty not stated)"),
        (Figure(value=0.2, unit="1"), "0.2 (uncertainty not stated)"),
        (Figure(value=0.2, unit="1", expanded_uncertainty=0.01), "0.200 +/- 0.010"),
        (Figure(value=True, unit=""), "yes"),
    ],
)
def test_figures_in_words(figure: Figure, words: str) -> None:
    assert figure_words(figure) == words


EVIL = "\x1b[2J\x1b]0;owned\x07\x9b31m\u202e" + "x" * 100


def test_plain_text_helpers() -> None:
    # RFC 3339, 5.8, first example.
    assert utc_stamp(datetime.fromisoformat("1985-04-12T23:20:50.52Z")) == "1985-04-12T23:20:50.520Z"
    assert utc_stamp(datetime.fromisoformat("1996-12-19T16:39:57-08:00")) == "1996-12-20T00:39:57.000Z"
    assert basic_stamp(datetime.fromisoformat("1996-12-19T16:39:57-08:00")) == "19961220T003957Z"
    assert safe_text(safe_text(EVIL)) == safe_text(EVIL)
    with pytest.raises(ValueError, match="has no zone"):
        utc_stamp(datetime(2025, 1, 1))
