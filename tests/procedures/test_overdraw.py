"""More than an inverter draws: two rows in a row over twice its power, or three at the supply's limit."""

from __future__ import annotations

import math

import pytest

from procedures.floor_fold import SUPPLY_LIMIT
from procedures.overdraw import TOO_MUCH, OverdrawFold
from procedures.stand_in import UpsRow

NAN = math.nan
# volts 24, expected 120 W: twice that is 10 A
CASES: list[tuple[list[tuple[float, float, str]], str]] = [
    ([(24.0, 5.0, "cv")] * 10, ""),
    ([(24.0, 10.0, "cv")] * 10, ""),
    ([(24.0, 10.1, "cv")] * 2, TOO_MUCH),
    ([(24.0, 10.1, "cv"), (24.0, 5.0, "cv")] * 5, ""),
    ([(24.0, 8.0, "cc")] * 3, SUPPLY_LIMIT),
    ([(24.0, 8.0, "cc"), (24.0, 8.0, "cc"), (24.0, 8.0, "cv")] * 3, ""),
    ([(24.0, 10.1, "cc")] * 2, TOO_MUCH),
    ([(NAN, 10.1, "cc"), (24.0, NAN, "cc")] * 5, ""),
    ([(24.0, 10.1, "cv"), (NAN, NAN, ""), (24.0, 10.1, "cv")], TOO_MUCH),
    ([(27.3, -0.9, "driven")] * 10, ""),
    ([(0.0, 0.0, "off")] * 10, ""),
]


@pytest.mark.parametrize(("rows", "reason"), CASES)
def test_what_is_too_much(rows: list[tuple[float, float, str]], reason: str) -> None:
    fold = OverdrawFold()
    for number, (volts, amps, mode) in enumerate(rows):
        fold.push(UpsRow(float(number), volts, amps, mode), expected_w=120.0)
    assert fold.reason == reason


def test_the_first_reason_stays() -> None:
    fold = OverdrawFold()
    for number in range(9):
        fold.push(UpsRow(float(number), 24.0, 8.0 if number < 4 else 20.0, "cc"), expected_w=120.0)
    assert fold.reason == SUPPLY_LIMIT
