"""Habits of instruments as figures: what a scenario's table may say, and that saying nothing is harmless."""

from __future__ import annotations

import re
from typing import Any

import pytest

from sims.bench import open_bench
from sims.manners import Manners, manners_table, read_manners


def test_without_a_table_every_instrument_is_plain() -> None:
    bench = open_bench("cabinet", now=lambda: 0.0)
    assert dict(bench.manners) == dict.fromkeys(bench.names, Manners())


def test_a_table_is_read() -> None:
    made = manners_table({"supply": {"ends": "\r\n", "gap_s": 1, "echo": True}, "load": {"compound": "first"}})
    assert made == {"supply": Manners(ends="\r\n", gap_s=1.0, echo=True), "load": Manners(compound="first")}


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"ecko": True}, "manners.supply: unknown key 'ecko'; there are shape, "),
    ({"echo": 1}, "manners.supply.echo = 1: true or false is due"),
    ({"channels": True}, "manners.supply.channels = True: a whole number is due"),
    ({"gap_s": "0.02"}, "manners.supply.gap_s = '0.02': a number is due"),
    ({"gap_s": -0.1}, "manners.supply.gap_s = -0.1: between 0 and 3600 is due"),
    ({"gap_s": float("nan")}, "manners.supply.gap_s = nan: between 0 and 3600 is due"),
    ({"gap_s": float("inf")}, "manners.supply.gap_s = inf: between 0 and 3600 is due"),
    ({"grid": "floor"}, "manners.supply.grid = 'floor': there are round, truncate"),
    ({"compound": "both"}, "manners.supply.compound = 'both': there are joined, first, last, lines, refused"),
    ({"error_words": "polite"}, "manners.supply.error_words = 'polite': there are standard, plus, "),
    ({"channels": 0}, "manners.supply.channels = 0: between 1 and 16 is due"),
    ({"channels": 3, "wired_channel": 4}, "manners.supply.wired_channel = 4: between 1 and 3 is due"),
    ({"ends": "END"}, "manners.supply.ends = 'END': up to 8 of carriage return, line feed and NUL are due"),
    ({"hears": ""}, "manners.supply.hears = ''"),
    ({"banner": "two\nlines"}, "manners.supply.banner = 'two\\nlines': one line of up to 200 printable ASCII"),
    ({"answers_orders": "O\nK"}, "manners.supply.answers_orders = 'O\\nK': one line of up to 200 printable ASCII"),
    ({"deaf_s": -1.0}, "manners.supply.deaf_s = -1.0: between 0 and 3600 is due"),
    ({"remote_needed": True, "remote_words": ""}, "manners.supply.remote_words = ''"),
    ({"baud": -9600}, "manners.supply.baud = -9600: between 0 and 4e+06 is due"),
]


@pytest.mark.parametrize(("table", "why"), REFUSED, ids=lambda value: "" if isinstance(value, str) else str(value))
def test_a_table_is_refused(table: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match="^" + re.escape(why)):
        read_manners(table, name="supply")


def test_manners_of_an_instrument_that_is_not_there_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^scenario cabinet: manners of 'scope', which it has not; it has supply, "):
        open_bench("cabinet", now=lambda: 0.0, manners={"scope": Manners()})
