"""Edges of what an answer means to the guard."""

from __future__ import annotations

import pytest

from harness.guard_answers import number, says_off, word


@pytest.mark.parametrize(
    ("text", "amps"), [("2KA", 2000.0), ("2 A", 2.0), ("2mA", 0.002), ("2uA", 2e-6), ("0.002kA", 2.0)]
)
def test_multiples_of_an_ampere(text: str, amps: float) -> None:
    assert number(text) == pytest.approx(amps, rel=1e-12)


@pytest.mark.parametrize(("zeros", "said"), [(16, "18"), (17, "0" * 17 + "18")])
def test_a_whole_number_has_eighteen_digits_at_most(zeros: int, said: str) -> None:
    assert word("0" * zeros + "18") == said


@pytest.mark.parametrize(("value", "off"), [(2**53 - 2, True), (2**53 - 1, False), (2**53, None), (-1, None)])
def test_a_register_has_fifty_three_bits_at_most(value: int, off: bool | None) -> None:
    """Beyond that the low bits of a number are rounded away (IEEE 754, binary64)."""
    assert says_off(str(value), {"bit": 0, "form": "(.+)"}) is off
