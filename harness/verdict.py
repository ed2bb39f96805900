"""A verdict from several runs: its record, its page, and how the command line finds who makes it.

Who makes it is found through the entry-point group ``nightbench.verdicts``, as procedures are through theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from harness.digits import duration
from harness.entries import SIMULATED, figure_words, verdict_lines
from harness.errors import Usage
from harness.folder import RunFolder
from harness.lines import wrapped
from harness.plain import safe_text
from harness.result import Entry, Figure, Verdict
from harness.titles import TITLES
from harness.verdict_shown import Shown

Class = Literal["fits", "fits with conditions", "does not fit", "cannot tell"]


class Judgement(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What several runs say together. ``sentence`` is the one thing to read; the worst of ``lines`` is the class."""

    verdict: Class
    sentence: str
    pack: str
    ups: str
    simulated: bool
    schema: Literal["nightbench/verdict/1"] = "nightbench/verdict/1"
    lines: tuple[Verdict, ...] = ()
    figures: dict[str, Figure] = {}
    lists: dict[str, tuple[Entry, ...]] = {}
    not_measured: dict[str, str] = {}
    runs: Annotated[tuple[str, ...], Meta(description="Folders of the runs it was made from")] = ()
    notes: tuple[str, ...] = ()
    next_actions: Annotated[tuple[str, ...], Meta(description="What to do now, most pressing first; three")] = ()


@dataclass(frozen=True, slots=True)
class VerdictMaker:
    """``judge`` raises ``Usage`` in one line for runs that do not go together; ``shown`` gives the same verdict and
    what its report shows besides."""

    name: str
    about: str
    judge: Callable[[Sequence[RunFolder]], Judgement]
    shown: Callable[[Sequence[RunFolder]], tuple[Judgement, Shown]]


def verdict_maker(name: str) -> VerdictMaker:
    """The installed maker of that name; raises ``Usage`` when there is none."""
    for entry in entry_points(group="nightbench.verdicts"):
        if entry.name == name:
            maker: VerdictMaker = entry.load()
            return maker
    raise Usage(f"{name}: no such verdict is installed; install nightbench anew with all its parts")


def judgement_document(made: Judgement) -> str:
    """The verdict as one JSON document."""
    return msgspec.json.format(msgspec.json.encode(made), indent=2).decode()


def headline_text(made: Judgement) -> str:
    """The sentence and the figures, 80 columns."""
    return wrapped(safe_text(one) for one in _head(made))


def _head(made: Judgement) -> list[str]:
    mark = f" {SIMULATED}" if made.simulated else ""
    lines = [f"{made.sentence}{mark}", "", f"{made.pack} on {made.ups}{mark}"]
    lines += [f"  {TITLES.get(key, key):<28} {figure_words(one)}{mark}" for key, one in made.figures.items()]
    lines += [f"  {_runtime(entry)}{mark}" for entry in made.lists.get("runtime_s", ())]
    lines += [f"  {TITLES.get(key, key):<28} not known: {why}" for key, why in made.not_measured.items()]
    return [*lines, *(["", "Next"] if made.next_actions else []), *_actions(made)]


def _actions(made: Judgement) -> list[str]:
    return [f"  {number}. {text}" for number, text in enumerate(made.next_actions, 1)]


def _runtime(entry: Entry) -> str:
    """One load of the list ``runtime_s``."""
    runtime, load_w = entry.get("runtime_s"), entry.get("load_w")
    what = f"runtime at {load_w:.4g} W" if isinstance(load_w, int | float) else "runtime"
    if not isinstance(runtime, Figure):
        return f"{what:<28} {entry.get('how', 'not known')}"
    span = f"{duration(float(runtime.value))} +/- {duration(runtime.expanded_uncertainty or 0.0)} (h:mm:ss)"
    bound = f"{runtime.bound} " if runtime.bound else ""
    return f"{what:<28} {bound}{span}, {entry.get('how', '')}"


def judgement_text(made: Judgement) -> str:
    """The same and then line by line what it rests on."""
    lines = [*_head(made), "", "Line by line"]
    lines += [f"  {text}" for one in made.lines for text in verdict_lines(one)]
    lines += ["", "Notes", *(f"  {note}" for note in made.notes)] if made.notes else []
    lines += ["", "Runs", *(f"  {run}" for run in made.runs)]
    return wrapped(safe_text(one) for one in lines)
