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
KEEP = "the load stays at or below "
"""How the condition of a largest load begins."""


def next_actions(work: Work, verdict: Class, lines: tuple[Verdict, ...]) -> tuple[str, ...]:
    """Three, each once."""
    ways = {"does not fit": _of_failed, "cannot tell": _of_unknown}
    found = ways.get(verdict, _of_fitting)(work, lines)
    return tuple(dict.fromkeys([*found, *_last(work)]))[:COUNT]


def _of_failed(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    failed = [FAILED[line.about] for line in lines if line.verdict == "fail"]
    return [f"{APART} {failed[0]}", *failed[1:], *_unknown(lines), *_conditions(lines)]


def _of_unknown(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    return [*_unknown(lines), *_conditions(lines)]


def _of_fitting(work: Work, lines: tuple[Verdict, ...]) -> list[str]:
    conditions = _conditions(lines)
    return [*conditions[: COUNT - 1], CONNECT, *conditions[COUNT - 1 :]]


def _unknown(lines: tuple[Verdict, ...]) -> list[str]:
    """By what settles them: lines that wait for the same run are one action."""
    waiting: dict[str, list[str]] = {}
    for line in lines:
        if line.verdict == "cannot tell" and line.settles:
            waiting.setdefault(line.settles, []).append(line.about)
    return [f"To decide {', '.join(abouts)}: {settles}." for settles, abouts in waiting.items()]


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


def _last(work: Work) -> Iterator[str]:
    """What is never wrong."""
    yield CONNECT
    got = work.usual
    if not isinstance(got, str):
        span = duration(float(got.runtime_s.value))
        yield f"Let the UPS run on the pack once at {got.load_w:.4g} W, somebody there: {span} is a prediction."
    yield AGAIN
    yield "Keep the folders of these runs: a later one is compared with them."
