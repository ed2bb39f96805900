"""A run watched from another terminal, in words: the lines of one look, made of what stands in its folder.

Everything shown came from files that anybody may have edited, so it is made safe before it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime

from harness.digits import duration
from harness.entries import SIMULATED, figure_words
from harness.following import Seen, Trace
from harness.lines import WIDTH, wrapped
from harness.plain import safe_text
from harness.progress import clock_words
from harness.show import verdict_sentence
from harness.titles import TITLES

SILENT_PERIODS, SILENT_LEAST_S = 5.0, 10.0
"""No new row for so many periods, and this many seconds at least, is told."""

LAST_EVENTS = 5

NARROWEST = 30
"""Columns under which lines are simply cut."""

TOLD = (
    "unsafe",
    "trip",
    "stop",
    "program error",
    "gap",
    "clock step",
    "limit change",
    "mark",
    "warning",
    "instrument error",
    "energised",
    "off",
    "ask",
    "ended",
)
"""Kinds of events that are shown while a run is watched."""

_BLOCKS = "▁▂▃▄▅▆▇█"
_PLAIN = "_.-=*#"


def strip_chart(values: Sequence[float], *, width: int, blocks: str = _BLOCKS) -> str:
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


def silence_s(seen: Seen, *, now: datetime) -> float:
    """How long ago the last row was taken, s of calendar time; nan where that cannot be told, as with a simulated bench
    whose time is not the machine's."""
    if seen.last is None or seen.live is None or seen.live.clock != "wall":
        return math.nan
    try:
        then = datetime.fromisoformat(seen.last.utc)
    except ValueError:
        return math.nan
    return (now - (then if then.tzinfo else then.replace(tzinfo=UTC))).total_seconds()


def silence_words(seen: Seen, *, now: datetime) -> str:
    """Words where a run that is on has written nothing for too long; "" while all is well."""
    silent_s = silence_s(seen, now=now)
    period_s = seen.live.period_s if seen.live is not None else 1.0
    if not silent_s > max(SILENT_LEAST_S, SILENT_PERIODS * period_s):
        return ""
    return f"NO SAMPLE FOR {duration(silent_s)}: the run hangs, or its disk does: go and look, measure before touching"


def headline(seen: Seen, name: str) -> str:
    """What it is and how it stands."""
    live = seen.live
    simulated = live.simulated if live is not None else bool(seen.result and seen.result.simulated)
    mark = f" {SIMULATED}" if simulated else ""
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
    return [event_line(one) for one in seen.events if one.get("kind") in TOLD][-most:]


def end_lines(seen: Seen) -> list[str]:
    """How it ended and what it found; [] while it is on."""
    if seen.is_on:
        return []
    if seen.result is None:
        return ["no result was written: `nightbench show` tells what its record holds; measure before touching"]
    mark = f" {SIMULATED}" if seen.result.simulated else ""
    found = [f"  {TITLES.get(key, key)}: {figure_words(one)}{mark}" for key, one in seen.result.figures.items()]
    return [verdict_sentence(seen.result, outcome=seen.outcome), *found]


def look_lines(
    seen: Seen, *, name: str, trace: Trace, now: datetime, width: int = WIDTH, blocks: str = _BLOCKS
) -> list[str]:
    """The whole of one look, no line longer than ``width``."""
    label = 15 if width >= 50 else 0
    lines = [headline(seen, name), ""]
    if words := silence_words(seen, now=now):
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
    return [line[:width] if width < NARROWEST else line for line in folded]


def plain_line(seen: Seen) -> str:
    """One line for a pipe."""
    return safe_text(", ".join(f"{what} {value}" for what, value in readings(seen)))


Now = Callable[[], datetime]
