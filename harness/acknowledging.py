"""What a person sees to before a run is left alone, and types off the thing itself: a number or words, never yes or no.

No option answers them. On a simulated bench its own hands read them off. Answers are kept in the run's record, and for
half an hour in the state folder: a second start right after, of the same run on the same bench with the same
instruments, need not ask again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from harness.barriers import WARM_ROOM_C
from harness.config_pack import chemistry_word
from harness.durable import RecordFailed, replace_file
from harness.errors import PreflightRefused, Usage
from harness.locks import state_dir
from harness.person import Person
from harness.plain import safe_text

if TYPE_CHECKING:
    from harness.job import Ready

VALID = timedelta(minutes=30)
"""So long a second start right after need not ask again."""

TRIES = 3
CLEAR_CM = 100.0
SHORTEST = 4
"""Least letters of an answer in words."""

SAYS_NOTHING = frozenset({"y", "yes", "n", "no", "ok", "okay", "none", "true", "false", "done", "fine", "good", "x"})
"""Words that are no answer to a question about a thing."""

NOT_THERE = ("no", "none", "nothing", "not", "nobody")
"""First words of an answer that says that the thing is not there."""

Judge = Callable[["Ready", str], str]
"""Why an answer will not do, "" when it will."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to be typed off the thing itself. ``layer``: the key it has in ``harness/barriers.py``, if it holds
    something there."""

    key: str
    prompt: str
    judge: Judge
    asked: Callable[[Ready], bool] = lambda ready: True
    layer: str = ""


# -- how answers are judged --------------------------------------------------------------------------------------------


def _number(typed: str) -> float | None:
    text = typed.strip().rstrip("AaVvhHcCmM ").strip()
    try:
        if "_" in text or not text.isascii():
            return None
        return float(text)
    except ValueError:
        return None


def _same(wanted: Callable[[Ready], tuple[float, str]]) -> Judge:
    def judge(ready: Ready, typed: str) -> str:
        number, (value, where) = _number(typed), wanted(ready)
        if number is not None and abs(number - value) <= 1e-9 * max(1.0, abs(value)):
            return ""
        return f"{typed} typed, {where}; find out which is right and put the file right"

    return judge


def _at_least(least: float, unit: str, remedy: str) -> Judge:
    def judge(ready: Ready, typed: str) -> str:
        number = _number(typed)
        if number is not None and least <= number <= 1e4:
            return ""
        return f"{typed} typed, at least {least:g} {unit} needed; {remedy}"

    return judge


def _words(ready: Ready, typed: str) -> str:
    """Words that say something, of a thing that is there."""
    letters = sum(letter.isalpha() for letter in typed)
    if letters < SHORTEST:
        return f"{typed} typed, some words about the thing itself are needed"
    said = [word.strip(".,;:!'\"") for word in typed.casefold().split()]
    if said[0] in NOT_THERE or all(word in SAYS_NOTHING for word in said):
        return f"{typed} typed, which says nothing about the thing itself"
    return ""


def _reachable(ready: Ready, typed: str) -> str:
    if sum(letter.isdigit() for letter in typed) < 3:
        return f"{typed} typed, a name and the number under which it is reached are needed"
    return _words(ready, typed)


def _cells(ready: Ready) -> tuple[float, str]:
    pack = ready.site.pack
    return pack.cells_in_series, f"cells_in_series = {pack.cells_in_series} in {pack.path}"


def _ah(ready: Ready) -> tuple[float, str]:
    pack = ready.site.pack
    return pack.rated_ah, f"rated_ah = {pack.rated_ah:g} in {pack.path}"


def _chemistry(ready: Ready, typed: str) -> str:
    pack = ready.site.pack
    if chemistry_word(typed) == pack.chemistry:
        return ""
    return f'{typed} typed, chemistry = "{pack.chemistry}" in {pack.path}; find out which is right'


def _polarity(ready: Ready, typed: str) -> str:
    """Volts with their sign, between what this pack may ever have; the bench then finds the same band at its leads."""
    least, most, number = ready.site.envelope.never_below_v, ready.site.envelope.never_above_v, _number(typed)
    if number is not None and least <= number <= most:
        return ""
    return f"{typed} typed, {least:g} to {most:g} V expected, + lead to the red clip; look at pack, leads and meter"


def _bms_temp(ready: Ready) -> tuple[float, str]:
    pack = ready.site.pack
    return pack.bms_temp_max_c or 0.0, f"bms_temp_max_c = {pack.bms_temp_max_c:g} in {pack.path}"


def _bms(ready: Ready) -> tuple[float, str]:
    pack = ready.site.pack
    return pack.bms_cell_low_volts or 0.0, f"bms_cell_low_volts = {pack.bms_cell_low_volts:g} in {pack.path}"


def _fuse(ready: Ready) -> tuple[float, str]:
    bench = ready.site.bench
    return bench.fuse_amps or 0.0, f"fuse_amps = {bench.fuse_amps:g} in {bench.path}"


QUESTIONS: tuple[Question, ...] = (
    Question("chemistry", "Chemistry, as printed on the pack's own label", _chemistry),
    Question("cells", "Cells in series, as printed on the pack's own label", _same(_cells)),
    Question("ah", "Rated Ah, as printed on the pack's own label", _same(_ah)),
    Question(
        "bms",
        "Volts of a cell at which the BMS ends a discharge, off label or data sheet",
        _same(_bms),
        lambda ready: ready.site.pack.bms_cell_low_volts is not None,
    ),
    Question(
        "bms_temp",
        "degC at which the BMS ends a discharge, off label or data sheet",
        _same(_bms_temp),
        lambda ready: ready.site.pack.bms_temp_max_c is not None,
    ),
    Question("polarity", "Volts, with their sign, that a meter shows at the pack's leads", _polarity),
    Question(
        "fuse",
        "Amps printed on the DC fuse at the pack's terminal",
        _same(_fuse),
        lambda ready: ready.site.bench.fuse_amps is not None,
        layer="fuse",
    ),
    Question("joints", "Lugs and clips: tightened with what, and how tight", _words, layer="joints"),
    Question("thermometer", "Where the thermometer's probe sits, and how it is held", _words),
    Question("tray", "What the pack stands on", _words, layer="tray"),
    Question(
        "clear",
        "Centimetres around it, measured, with nothing in them that burns",
        _at_least(CLEAR_CM, "cm", "clear the place"),
    ),
    Question("detector", "Smoke detector: press its test button now; where it hangs", _words, layer="detector"),
    Question("parted", "Emergency off, plug or fuse puller in reach: which, and how you tried it", _words),
    Question("reachable", "Who is reachable while it runs: name and number", _reachable),
    Question(
        "room",
        "Lowest degC of this room while it runs, off a thermometer in it",
        _at_least(WARM_ROOM_C, "degC", "warm the room, or charge with somebody there"),
        lambda ready: ready.charging and ready.site.lithium,
        layer="room",
    ),
    Question(
        "air",
        "How the room is aired",
        _words,
        lambda ready: ready.charging and not ready.site.lithium,
        layer="air",
    ),
)


# -- asking ------------------------------------------------------------------------------------------------------------


def ask_all(ready: Ready, person: Person, *, stopped: Callable[[], bool]) -> dict[str, str]:
    """Every answer by its key. Raises ``PreflightRefused`` for one that will not do, or when nobody is there; comes
    back early, with what there is, once ``stopped()``."""
    answers: dict[str, str] = {}
    for question in QUESTIONS:
        if stopped():
            return answers
        if question.asked(ready):
            answers[question.key] = _ask(ready, question, person, stopped)
    return answers


def _ask(ready: Ready, question: Question, person: Person, stopped: Callable[[], bool]) -> str:
    why = ""
    for _ in range(TRIES):
        again = f"{why}. Once more.\n" if why else ""
        typed = person.tell(question.key, f"{again}{question.prompt}: ")
        if stopped():
            return ""
        if typed is None:
            raise PreflightRefused(
                f"--unattended: {question.prompt}: must be typed by somebody who looks at it, and nobody is there; "
                "start it from a terminal, no option answers it"
            )
        typed = safe_text(" ".join(typed.split()))
        why = question.judge(ready, typed or "nothing")
        if not why:
            return typed
        if _number(typed) is not None or chemistry_word(typed):
            break  # another number is another thing: that is not mistyped until it fits
    raise PreflightRefused(f"--unattended: {question.prompt}: {why}; nothing was switched on")


def layers_of(answers: Mapping[str, str]) -> dict[str, str]:
    """The answers that hold something, by the key of their layer."""
    return {q.layer: answers[q.key] for q in QUESTIONS if q.layer and answers.get(q.key)}


# -- remembering -------------------------------------------------------------------------------------------------------


def seal(ready: Ready, identities: Mapping[str, str]) -> str:
    """What answers are about: procedure, plan, files and instruments."""
    site = ready.site
    about = {
        "procedure": ready.job.procedure.name,
        "plan": msgspec.to_builtins(ready.plan),
        "bench": site.bench.sha256,
        "bench path": str(site.bench.path.resolve()),
        "pack": site.pack.sha256,
        "identities": dict(identities),
    }
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


def remember(about: str, answers: Mapping[str, str], *, now: datetime) -> None:
    """Keep answers for a second start; that it cannot be kept only means that it is asked again."""
    with suppress(Usage, OSError, RecordFailed):
        body = {"about": about, "when": now.isoformat(), "answers": dict(answers)}
        replace_file(_place(about), json.dumps({**body, "sum": _sum(body)}).encode())
        os.chmod(_place(about), 0o600)


def remembered(ready: Ready, about: str, *, now: datetime) -> tuple[dict[str, str], str]:
    """Answers given for the same within ``VALID``, and when; nothing when there are none, or none that still will do.

    A clock that was put back makes them void, and so does a file that is not as it was written.
    """
    try:
        found = json.loads(_place(about).read_bytes())
        body = {key: found[key] for key in ("about", "when", "answers")}
        when = datetime.fromisoformat(body["when"])
        answers = {str(key): str(value) for key, value in body["answers"].items()}
        fresh = timedelta(0) <= now - when <= VALID
    except (OSError, ValueError, KeyError, TypeError, AttributeError, Usage):
        return {}, ""
    asked = [question for question in QUESTIONS if question.asked(ready)]
    complete = all(q.key in answers and not q.judge(ready, answers[q.key]) for q in asked)
    if not (found.get("sum") == _sum(body) and body["about"] == about and fresh and complete):
        return {}, ""
    return answers, body["when"]


def _sum(body: Mapping[str, object]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _place(about: str) -> Path:
    return state_dir() / f"{about[:24]}.typed.json"
