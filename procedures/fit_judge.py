"""How a margin with its doubt becomes a word, and how words become the class of the whole."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from harness.result import Figure

Word = Literal["pass", "pass with conditions", "fail", "cannot tell", "not judged"]
Class = Literal["fits", "fits with conditions", "does not fit", "cannot tell"]

CLASSES: dict[Word, Class] = {
    "fail": "does not fit",
    "cannot tell": "cannot tell",
    "pass with conditions": "fits with conditions",
    "pass": "fits",
}
"""Worst first: one line that fails outranks every doubt, a doubt every condition."""


def judge(margin: float, expanded: float) -> Word:
    """A margin beyond its expanded uncertainty decides, either way; nan decides nothing."""
    if margin > expanded:
        return "pass"
    return "fail" if margin < -expanded else "cannot tell"


def judge_figure(margin: Figure, *, least: float = 0.0) -> Word:
    """The same for a figure over ``least`` (its unit); of a bound only the side that it proves."""
    if margin.expanded_uncertainty is None:
        return "cannot tell"
    word = judge(float(margin.value) - least, margin.expanded_uncertainty)
    proves = {"at least": "pass", "at most": "fail"}.get(margin.bound, word)
    return word if word == proves else "cannot tell"


def worst(words: Iterable[Word]) -> Class:
    """The class of the whole; lines that were not judged do not count, and with none that were nothing is known."""
    found = set(words)
    return next((name for word, name in CLASSES.items() if word in found), "cannot tell")
