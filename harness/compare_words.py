"""A comparison as a page for the terminal and as one JSON document."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from harness.compare import Change, Compared, Comparison, percent_words
from harness.entries import SIMULATED, figure_words
from harness.lines import wrapped
from harness.plain import safe_text
from harness.result import Figure
from harness.titles import TITLES


def comparison_document(made: Comparison) -> str:
    """The comparison as one JSON document."""
    return msgspec.json.format(msgspec.json.encode(made), indent=2).decode()


def comparison_text(made: Comparison) -> str:
    """Sentence first, then pair by pair; 80 columns."""
    mark = f" {SIMULATED}" if made.simulated else ""
    lines = [f"{one.sentence}{mark}" for one in made.pairs]
    for one in made.pairs:
        lines += ["", f"{one.later} against {one.earlier}{mark}", *_pair(one, mark)]
    return wrapped(safe_text(one) for one in lines)


def _pair(one: Compared, mark: str) -> Iterator[str]:
    yield from (f"  ! not like: {text}" for text in one.unlike)
    if not one.same_thing:
        yield "  ! not the same pack or UPS, by name, serial or asset number"
    for change in one.changes:
        yield f"  {title_of(change)}: {change_words(change)}{mark}"
    yield from (f"  {text}" for text in one.cancels)
    if one.advice:
        yield f"  {one.advice}"


def title_of(one: Change) -> str:
    """``resistance at 10 s at 5 A``."""
    name = {"r_1s_ohm": "resistance at 1 s", "r_10s_ohm": "resistance at 10 s", "min_v": "least volts"}
    return f"{name.get(one.figure) or TITLES.get(one.figure, one.figure)}{f', {one.at}' if one.at else ''}"


def change_words(one: Change) -> str:
    """``10.15 +/- 0.04 Ah, then 8.60 +/- 0.03 Ah: less by ...``."""
    both = f"{plain(one.earlier)}, then {plain(one.later)}"
    if one.change is None:
        return f"{both}: {one.told}"
    by = plain(one.change)
    percent = f", {percent_words(one.ratio)} of the earlier" if one.ratio is not None else ""
    if one.told == "no change to be told":
        return f"{both}: no change to be told ({by}{percent})"
    return f"{both}: {one.told}, {by}{percent}"


def plain(figure: Figure) -> str:
    """A figure without its coverage factor."""
    return figure_words(figure).partition(" (k")[0]
