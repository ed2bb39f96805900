"""What every line of a verdict is made with: its sentence, its conditions, and what in it was guessed."""

from __future__ import annotations

import math
from collections.abc import Iterable

from harness.result import Verdict
from procedures.fit_facts import Facts
from procedures.fit_judge import Word


def line(about: str, verdict: Word, sentence: str, *, runs: Iterable[str] = (), settles: str = "") -> Verdict:
    """One line; the sentence gets capital and full stop, what would settle it is told where there is a doubt."""
    doubtful = verdict not in ("pass", "fail")
    return Verdict(
        about=about,
        verdict=verdict,
        sentence=sentence[:1].upper() + sentence[1:].rstrip(".") + ".",
        runs=tuple(dict.fromkeys(run for run in runs if run)),
        settles=settles if doubtful else "",
    )


TEMP_C = (15.0, 30.0)
"""Measured at a temperature within these, figures are taken to hold within them (common practice, no source)."""

PROVIDED = "; provided: "
"""What stands between a sentence and the conditions of its pass."""

GUESSED = "these guesses hold: "


def provided(word: Word, sentence: str, *conditions: str) -> tuple[Word, str]:
    """A pass that depends on something is one with conditions, and the sentence goes on with them."""
    told = [one for one in conditions if one]
    if not told or word not in ("pass", "pass with conditions"):
        return word, sentence
    return "pass with conditions", sentence.rstrip(".") + PROVIDED + "; ".join(told)


def conditions_of(verdict: Verdict) -> tuple[str, ...]:
    """The conditions that a line names."""
    told = verdict.sentence.rstrip(".").partition(PROVIDED)[2]
    return tuple(told.split("; ")) if told else ()


def guess_of(facts: Facts, *names: str) -> str:
    """Which of ``names`` (facts of ``[site]``, ``ac_load_w``) were guessed, in words; "" when none."""
    guessed = [name for name in names if name in facts.site.guessed()]
    if "ac_load_w" in names and facts.ups.ac_load_w is not None and not facts.ups.ac_load_w_measured:
        guessed.append("ac_load_w")
    return GUESSED + ", ".join(guessed) if guessed else ""


def temps_of(facts: Facts) -> list[float]:
    """Temperatures at the start of the discharges, degC; those that were measured."""
    return [curve.temp_c for curve in facts.pack_side.curves if math.isfinite(curve.temp_c)]
