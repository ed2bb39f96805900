"""What a run's folder holds besides its result, in plain text: its rows, what has changed since, events, barriers.

Whatever is damaged is told in a line of its own; the rest is shown all the same.
"""

from __future__ import annotations

import math
from collections import Counter

from harness.digits import duration
from harness.entries import plain_words
from harness.errors import UserError
from harness.folder import RunFolder
from harness.guard_log import guards_word
from harness.jsonlines import events
from harness.lines import section, wrap
from harness.samplefile import samples
from harness.show_barriers import held_lines
from harness.sums import changes

MOST_EVENTS = 20
"""Events of one kind listed in full; the rest is counted."""

KINDS_TOLD = (
    "unsafe",
    "trip",
    "stop",
    "program error",
    "gap",
    "clock step",
    "limit change",
    "acknowledged",
    "stop tried",
    "stop failed",
    "mark",
    "warning",
    "instrument error",
)


def record_parts(folder: RunFolder) -> list[str]:
    """All of it, in the order of the page. Never raises for damage."""
    return [*_held_lines(folder), *_record_lines(folder), *_event_lines(folder)]


def _record_lines(folder: RunFolder) -> list[str]:
    lines: list[str] = []
    try:
        reader = samples(folder)
        last = None
        for last in reader:  # noqa: B007 - the last one is what is wanted
            pass
        lines += wrap(f"{reader.rows} samples", 2)
        if last is not None:
            lines += wrap(
                f"last at {duration(last.elapsed_s)} ({last.state}): {_reading('volts', last.pack_volts, 'V')}, "
                f"{_reading('current', last.pack_amps, 'A')}, {_reading('charge', last.charge_ah, 'Ah')} out, "
                f"{_reading('temperature', last.pack_temp_c, 'degC')}",
                2,
                4,
            )
        if str(reader.tail):
            lines += wrap(f"samples.csv: {reader.tail}", 2, 4)
    except UserError as error:
        lines += wrap(str(error), 2, 4)
    if (guard := guards_word(folder)) is not None:
        lines += wrap(guard.words, 2, 4)
    lines += [line for one in _changed_lines(folder) for line in wrap(one, 2, 4)]
    return section("Record", lines)


def _changed_lines(folder: RunFolder) -> list[str]:
    """What of it is not as it was when the run used it, or when it ended."""
    try:
        inputs = [f"inputs/{one}: not as the run used it" for one in folder.changed_inputs()]
    except UserError as error:
        inputs = [str(error)]
    return [*inputs, *changes(folder)]


def _held_lines(folder: RunFolder) -> list[str]:
    try:
        found = list(held_lines(folder))
    except UserError:
        return []  # what is wrong with these files is told below
    return section("Held by", [line for one in found for line in wrap(one, 2, 4)])


def _reading(what: str, value: float, unit: str) -> str:
    return f"{what} unknown" if math.isnan(value) else f"{value:.5g} {unit}"


def _event_lines(folder: RunFolder) -> list[str]:
    """In the order in which they came; of one kind not more than anybody reads."""
    lines: list[str] = []
    count: Counter[str] = Counter()
    trouble: list[str] = []
    try:
        reader = events(folder)
        for event in reader:
            if (kind := str(event.get("kind"))) in KINDS_TOLD:
                count[kind] += 1
                lines += wrap(_event_words(event), 2, 4) if count[kind] <= MOST_EVENTS else []
        trouble = wrap(f"events.jsonl: {reader.tail}", 2, 4) if str(reader.tail) else []
    except UserError as error:
        trouble = wrap(str(error), 2, 4)
    for kind, number in count.items():
        if number > MOST_EVENTS:
            lines += wrap(f"and {number - MOST_EVENTS} more of kind {kind}, see events.jsonl", 2, 4)
    return section("Events", lines + trouble)


def _event_words(event: dict[str, object]) -> str:
    when = event.get("elapsed_s")
    rest = [
        str(value) if key in ("text", "what") else f"{key} {plain_words(value)}"
        for key, value in event.items()
        if key not in ("elapsed_s", "utc", "kind", "rows", "key")
    ]
    return f"{duration(when) if isinstance(when, int | float) else '?'} {event.get('kind')}: {', '.join(rest)}"
