"""The one sentence of a verdict: its class, what decides it, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable

from harness.digits import duration
from harness.result import Verdict
from procedures.fit_judge import Class
from procedures.fit_lines import GUESSED, PROVIDED, conditions_of
from procedures.fit_work import Work

DECIDES = {"does not fit": "fail", "cannot tell": "cannot tell"}
MOST_REASONS = 3


def sentence(work: Work, verdict: Class, lines: tuple[Verdict, ...]) -> str:
    """For example ``Fits: carries 120 W for 0:50:12 +/- 0:02:10 (h:mm:ss), 0:30:00 needed.``"""
    head = verdict.capitalize()
    if verdict == "fits":
        return f"{head}: {_carries(work)}."
    if verdict == "fits with conditions":
        told = dict.fromkeys(one for line in lines for one in conditions_of(line))
        return f"{head}: {_carries(work)}{PROVIDED}{'; '.join(_merged(told))}."
    decisive = [line for line in lines if line.verdict == DECIDES[verdict]]
    reasons = [f"{line.about}: {_lower(line.sentence)}" for line in decisive[:MOST_REASONS]]
    if len(decisive) > MOST_REASONS:
        reasons.append(f"and {len(decisive) - MOST_REASONS} more")
    return f"{head}: {'; '.join(reasons) or 'nothing could be judged'}."


def _merged(conditions: Iterable[str]) -> list[str]:
    """Each once, what was guessed in one."""
    told = [one for one in conditions if not one.startswith(GUESSED)]
    guessed = [name for one in conditions if one.startswith(GUESSED) for name in one[len(GUESSED) :].split(", ")]
    return [*told, GUESSED + ", ".join(dict.fromkeys(guessed))] if guessed else told


def _lower(text: str) -> str:
    """Goes on in the middle of a sentence; UPS, BMS and the like stay as they are."""
    first = text.split(" ", 1)[0]
    text = text.rstrip(".")
    return text if first.isupper() and len(first) > 1 else text[:1].lower() + text[1:]


def _carries(work: Work) -> str:
    got = work.usual
    if isinstance(got, str):
        return "the runtime is not known"
    bound = f"{got.bound} " if got.bound else ""
    span = duration(float(got.runtime_s.value))
    doubt = duration(got.runtime_s.expanded_uncertainty or 0.0)
    need = work.facts.site.runtime_needed_min
    needed = "" if need is None else f", {duration(60.0 * need)} needed"
    return f"carries {got.load_w:.4g} W for {bound}{span} +/- {doubt} (h:mm:ss){needed}"
