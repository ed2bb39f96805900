"""What happened in a run, in words and in groups: what ended it, where nobody looked, what else was told."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from harness.digits import duration
from harness.entries import plain_words
from harness.gap import long_words
from harness.history import CONTINUED, Event, number
from harness.report.facts import RunFacts, seconds

MOST = 20
"""Events of one group told in full; the rest is counted."""

ENDED = ("trip", "stop", "unsafe", "program error", "stop failed")
TOLD = ("warning", "instrument error", "clock step", "mark", "note", "stop tried")

_DUMB = frozenset({"elapsed_s", "utc", "kind", "rows", "key", "form"})


@dataclass(frozen=True, slots=True)
class Happened:
    """``ended``: trips, stops and what else ended the run; ``gaps``: times without a look; ``told``: the rest."""

    ended: tuple[str, ...]
    gaps: tuple[str, ...]
    told: tuple[str, ...]


def happened(facts: RunFacts) -> Happened:
    """All three groups, in order of time."""
    return Happened(
        ended=_first(event_words(event) for event in facts.events if event.get("kind") in ENDED),
        gaps=_first(_gaps(facts)),
        told=_first(event_words(event) for event in facts.events if event.get("kind") in TOLD),
    )


def _first(lines: Iterator[str]) -> tuple[str, ...]:
    found = list(lines)
    more = len(found) - MOST
    return (*found[:MOST], f"and {more} more, see events.jsonl") if more > 0 else tuple(found)


def event_words(event: Event) -> str:
    """``1:02:03 trip: low volts ...``; every field that a person may want."""
    when = seconds(event)
    rest = [
        str(value) if key in ("text", "what") else f"{key.replace('_', ' ')} {plain_words(value)}"
        for key, value in event.items()
        if key not in _DUMB
    ]
    # What was shown where off could not be confirmed stands at the head of the page, line by line.
    words = (
        "off not confirmed, see above" if event.get("kind") == "unsafe" else f"{event.get('kind')}: {', '.join(rest)}"
    )
    return f"{'?' if math.isnan(when) else duration(max(when, 0.0))} {words}"


def _gaps(facts: RunFacts) -> Iterator[str]:
    for event in facts.of("gap"):
        yield f"{duration(max(seconds(event), 0.0))} {long_words(number(event, 'seconds'))}: {event.get('text', '')}"
    for event in facts.of(CONTINUED):
        yield f"Between the run that this one takes up and its own beginning: {long_words(number(event, 'gap_s'))}."
    for begin, end in facts.gaps():
        yield f"No sample from {duration(begin)} to {duration(end)}: {long_words(end - begin)}."
