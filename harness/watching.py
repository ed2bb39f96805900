"""A run watched from another terminal, in words: the lines of one look, made of what stands in its folder.

Everything shown came from files that anybody may have edited, so it is made safe before it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from harness.digits import duration
from harness.entries import SIMULATED, figure_words
from harness.following import Seen, Trace
from harness.lines import WIDTH, wrapped
from harness.plain import safe_text
from harness.progress import clock_words
from harness.show import verdict_sentence
from harness.show_record import KINDS_TOLD
from harness.titles import TITLES

SILENT_PERIODS, SILENT_LEAST_S = 5.0, 10.0
"""A record that has not grown for so many periods, and this many seconds at least, is told."""

LAST_EVENTS = 5

NARROWEST = 30
"""Columns under which lines are simply cut."""

KINDS_WATCHED = (*KINDS_TOLD, "energised", "off", "ask", "ended")
"""Kinds of events that are shown while a run is watched."""

BLOCKS = "▁▂▃▄▅▆▇█"
PLAIN = "_.-=*#"


def strip_chart(values: Sequence[float], *, width: int, blocks: str = BLOCKS) -> str:
    """The values as a row of ``width`` characters, from their least to their most; a gap where one is missing."""
    known = [value for value in values if math.isfinite(value)]
    if not known or width < 1:
        return ""
    least, most = min(known), max(known)
    span = most - least or 1.0
    count = min(width, len(values))
    return "".join(
        _mark(values[round(at * (len(values) - 1) / max(1, count - 1))], least, span, blocks) for at in range(count)
    )


def _mark(value: float, least: float, span: float, blocks: str) -> str:
    if not math.isfinite(value):
        return " "
    return blocks[min(len(blocks) - 1, int((value - least) / span * len(blocks)))]


class Quiet:
    """How long the run's record has not grown, by the machine's own count: a calendar that is set tells no lie."""

    def __init__(self) -> None:
        self._grown: tuple[int, ...] | None = None
        self._since_s = math.nan

    def push(self, seen: Seen, *, wall_s: float, utc: datetime) -> float:
        """One look at machine time ``wall_s``: so many seconds, 0 of a run that is over. What was before the first look
        is told by the files' stamps."""
        if not seen.is_on:
            return 0.0
        if self._grown is None:
            before_s = utc.timestamp() - seen.written_s
            self._since_s = wall_s - (before_s if before_s > 0.0 else 0.0)
        elif seen.grown != self._grown:
            self._since_s = wall_s
        self._grown = seen.grown
        return wall_s - self._since_s


def silence_words(silent_s: float, seen: Seen) -> str:
    """Words where a run that is on has written nothing for too long; "" while all is well."""
    period_s = seen.live.period_s if seen.live is not None else 1.0
    if silent_s <= max(SILENT_LEAST_S, SILENT_PERIODS * period_s):
        return ""
    return f"NOTHING WRITTEN FOR {duration(silent_s)}: the run hangs, or its disk does: go and look, measure first"


def headline(seen: Seen, name: str) -> str:
    """What it is and how it stands."""
    live = seen.live
    mark = f" {SIMULATED}" if seen.simulated else ""
    how = "" if live is None or not live.unattended else ", unattended"
    return safe_text(f"{name}: {seen.outcome}{how}{mark}")


def readings(seen: Seen) -> Iterator[tuple[str, str]]:
    """What is shown of the last sample: a word, and the value with its unit."""
    last, live = seen.last, seen.live
    if last is None:
        yield "samples", "none yet"
        return
    yield "elapsed", clock_words(last.elapsed_s)
    yield "doing", last.state
    yield "volts", _value(last.pack_volts, "V", 3)
    yield "current", _value(last.pack_amps, "A", 3, sign=True)
    yield "charge", _value(last.charge_ah, "Ah", 4, sign=True)
    yield "energy", _value(last.energy_wh, "Wh", 2, sign=True)
    yield "temperature", _value(last.pack_temp_c, "degC", 1)
    if live is not None and live.nearest:
        share = "" if live.nearest_share is None else f", {100 * live.nearest_share:.0f} % of the way left"
        yield "nearest limit", live.nearest + share
    if live is not None and live.left_words:
        yield "time left", live.left_words
    if last.flags:
        yield "wrong with it", "; ".join(last.flags)


def _value(value: float, unit: str, digits: int, *, sign: bool = False) -> str:
    if not math.isfinite(value):
        return "unknown"
    return f"{value:{'+' if sign else ''}.{digits}f} {unit}"


def event_line(event: dict[str, object]) -> str:
    """One event in words."""
    when = event.get("elapsed_s")
    time = clock_words(when) if isinstance(when, int | float) and math.isfinite(when) else "?"
    words = [str(event[key]) for key in ("text", "reason", "phase", "result", "outcome") if event.get(key)]
    return safe_text(f"{time} {event.get('kind')}: {', '.join(words)}".rstrip(": "))


def told_events(seen: Seen, most: int = LAST_EVENTS) -> list[str]:
    """The last few events worth a line."""
    return [event_line(one) for one in seen.events if one.get("kind") in KINDS_WATCHED][-most:]


def end_lines(seen: Seen) -> list[str]:
    """How it ended and what it found; [] while it is on."""
    if seen.is_on:
        return []
    guard = [] if seen.guard is None else [seen.guard.words]
    if seen.result is None:
        return [*guard, "no result was written: `nightbench show` tells what its record holds; measure before touching"]
    mark = f" {SIMULATED}" if seen.simulated else ""
    found = [f"  {TITLES.get(key, key)}: {figure_words(one)}{mark}" for key, one in seen.result.figures.items()]
    sentence = verdict_sentence(seen.result, outcome=seen.outcome)
    off = seen.result.off_confirmation
    how = [] if off is None else [f"off {'confirmed' if off.confirmed else 'NOT CONFIRMED'}: {off.how}"]
    return [sentence, *guard, *how, *found]


def look_lines(
    seen: Seen, *, name: str, trace: Trace, silent_s: float = 0.0, width: int = WIDTH, blocks: str = BLOCKS
) -> list[str]:
    """The whole of one look, no line longer than ``width``."""
    label = 15 if width >= 50 else 0
    lines = [headline(seen, name), ""]
    if words := silence_words(silent_s, seen):
        lines += [words, ""]
    lines += [f"{what:<{label}}{value}" if label else f"{what}: {value}" for what, value in readings(seen)]
    points = trace.points
    for what, at in (("volts", 1), ("current", 2)):
        chart = strip_chart([one[at] for one in points], width=max(1, width - max(label, 9)), blocks=blocks)
        if chart:
            lines.append(f"{what:<{max(label, 9)}}{chart}")
    events = told_events(seen)
    lines += ["", *events] if events else []
    lines += [f"note: {one}" for one in seen.trouble]
    ended = end_lines(seen)
    lines += ["", *ended] if ended else []
    folded = wrapped([safe_text(line) for line in lines], max(NARROWEST, width)).split("\n")
    if width < NARROWEST:
        return [line[:width] for line in folded]
    # A word without end is broken: a name must not push what matters off the screen.
    return [line[at : at + width] for line in folded for at in range(0, max(1, len(line)), width)]


def plain_line(seen: Seen) -> str:
    """One line for a pipe."""
    return safe_text(", ".join(f"{what} {value}" for what, value in readings(seen)))
