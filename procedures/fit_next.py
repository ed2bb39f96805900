"""What to do after a verdict: three sentences, the most pressing first.

What fails comes before what is not known, that before what a pass depends on. Of a pack that fits so far the first
connection is always among them, since no run sees it.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.digits import duration
from harness.result import Verdict
from procedures.fit_judge import Class
from procedures.fit_lines import GUESSED, conditions_of
from procedures.fit_work import Work

COUNT = 3

FAILED = {
    "charge volts": "Take a pack that bears the charger's volts, or lower these and run charge-ceiling again.",
    "charge current": "Take a pack that may be charged with what the charger gives.",
    "charging when cold": "Put the pack where it stays above the coldest temperature at which it may be charged.",
    "volts of the full pack": "Take a pack that rests at fewer volts when full: this one is too high for the UPS.",
    "floor margin": "Take a pack that goes on below the UPS's floor: with this one the load drops without warning.",
    "discharge current": "Take a pack that may give the UPS's largest current, or put less load on the UPS.",
    "runtime": "Take a larger pack or a smaller load, or ask whether a shorter runtime will do.",
    "largest load": "Put less load on the UPS, or take a pack that carries more.",
    "room temperature": "Put the UPS where it is neither colder nor warmer than its pack bears.",
}
"""Line that failed -> what to do about it."""

APART = "Do not put this pack into this UPS."
CONNECT = "Connect pack and UPS once with somebody there, UPS without load: does the pack's BMS stay closed?"
GUESSES = "Measure what was guessed and write it into the UPS file: "
AGAIN = "Measure the capacity again in a year under the same plan: nightbench compare OLD NEW."
ANOTHER = "Measure the pack that is to take its place before it goes in: nightbench qualify."
WAIT = "Do not connect pack and UPS before that is decided."
KEPT = "Keep the folders of these runs: a later one is compared with them."
KEEP = "the load stays at or below "
"""How the condition of a largest load begins."""


def next_actions(work: Work, verdict: Class, lines: tuple[Verdict, ...]) -> tuple[str, ...]:
    """Three, each once."""
    found = WAYS.get(verdict, _of_fitting)(work, lines)
    return tuple(dict.fromkeys(found))[:COUNT]


def _of_failed(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    """Nothing here may lead anybody to connect the two."""
    failed = [FAILED[line.about] for line in lines if line.verdict == "fail"]
    return [f"{APART} {failed[0]}", *failed[1:], *_unknown(lines), *_conditions(lines), ANOTHER, KEPT]


def _of_unknown(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    """Nor here: that comes when it is known."""
    unknown = [*_unknown(lines), *_conditions(lines)]
    return [*unknown[: COUNT - 1], WAIT, *unknown[COUNT - 1 :], KEPT, ANOTHER]


def _of_fitting(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    conditions = _conditions(lines)
    return [*conditions[: COUNT - 1], CONNECT, *conditions[COUNT - 1 :], *_tried(work), AGAIN, KEPT]


WAYS = {"does not fit": _of_failed, "cannot tell": _of_unknown}


def _unknown(lines: tuple[Verdict, ...]) -> list[str]:
    """By what settles them: lines that wait for the same run are one action."""
    waiting: dict[str, list[Verdict]] = {}
    for line in lines:
        if line.verdict == "cannot tell" and line.settles:
            key = next((one for one in waiting if line.settles.startswith(one)), line.settles)
            waiting.setdefault(key, []).append(line)
    return [_settled(group) for group in waiting.values()]


def _settled(group: list[Verdict]) -> str:
    """One run that is told in more words by some of its lines is told in these."""
    texts = dict.fromkeys(line.settles for line in group)
    told = [one for one in texts if not any(other != one and other.startswith(one) for other in texts)]
    return f"To decide {', '.join(line.about for line in group)}: {'; '.join(told)}."


def _conditions(lines: tuple[Verdict, ...]) -> list[str]:
    """A load to keep below first, then what was guessed, then the others."""
    told: dict[str, str] = {}
    for line in lines:
        for one in conditions_of(line):
            told.setdefault(one, line.settles)
    keep = [one for one in told if one.startswith(KEEP)]
    guesses = dict.fromkeys(name for one in told if one.startswith(GUESSED) for name in one[len(GUESSED) :].split(", "))
    found = [f"Keep the load at or below {one[len(KEEP) :]}, and write that on the UPS." for one in keep]
    found += [f"{GUESSES}{', '.join(guesses)}."] if guesses else []
    rest = [one for one in told if one not in keep and not one.startswith(GUESSED)]
    return [*found, *(_made_sure(one, told[one]) for one in rest)]


def _made_sure(condition: str, settles: str) -> str:
    return f"Make sure that {condition}{': ' if settles else ''}{settles.rpartition(': ')[2]}."


def _tried(work: Work) -> Iterator[str]:
    """A prediction, held against the thing itself."""
    got = work.usual
    if not isinstance(got, str):
        span = duration(float(got.runtime_s.value))
        yield f"Let the UPS run on the pack once at {got.load_w:.4g} W, somebody there: {span} is a prediction."
