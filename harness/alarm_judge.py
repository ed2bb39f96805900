"""When somebody is told about a run, and what: a fold over looks at its folder. It sends nothing and waits for nothing.

Each thing is told once: a trip with its reason at once, the end with how off was proven, a limit when little of the way
to it is left, a run that says nothing any more. What must be acted on is told again until it is over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from harness.entries import SIMULATED
from harness.folder import INTERRUPTED
from harness.following import Seen
from harness.plain import safe_text
from harness.progress import clock_words
from harness.watching import Quiet, end_lines

NEAR_SHARE = 0.05
"""A limit is near when less than this share of the way to it is left. Judgement, from measurements: in simulated runs
of every procedure that end well the least is 0.11 (low volts at the end of a discharge; high volts in a charge 0.20),
so that an ordinary night alarms nobody ..."""

NEAR_LOOKS = 5
"""... at so many looks one after the other: one noisy reading alarms nobody."""

FAR_SHARE = 0.15
"""It may be told again once this much was left."""

SILENT_S = 30.0
"""A run in real time that is on and has written no row for so long, or for ten periods, says nothing any more. Its own
interlocks and its guard have acted long before, where they could."""

AGAIN_S = 300.0
"""What must be acted on (off not confirmed, a silent run) is told again after this long, s of machine time."""

AGAIN_MOST = 12


@dataclass(frozen=True, slots=True)
class Message:
    """``kind`` is a word of ``harness.alarm_file.WHEN``; ``loud``: somebody must act."""

    kind: str
    title: str
    text: str
    loud: bool = False


@dataclass
class AlarmJudge:
    """Told of each look; ``over`` once the run is, and all has been said."""

    name: str
    over: bool = False
    _tripped: bool = False
    _near: dict[str, int] = field(default_factory=dict)
    _told_near: set[str] = field(default_factory=set)
    _again_of: str = ""
    _repeats: int = 0
    _said_s: float = -math.inf
    _quiet: Quiet = field(default_factory=Quiet)

    def push(self, seen: Seen, *, utc: datetime, wall_s: float) -> Iterator[Message]:
        """What is to be said after this look; ``wall_s`` is machine time, s."""
        yield from self._trips(seen)
        if seen.is_on:
            yield from self._limits(seen)
            yield from self._silence(seen, utc=utc, wall_s=wall_s)
        elif seen.outcome == "unsafe" or (seen.outcome == INTERRUPTED and not self._seen_off(seen)):
            yield from self._again(self._end(seen, loud=True), wall_s)
            self.over = self._repeats >= AGAIN_MOST
        elif not self.over:
            self.over = True
            yield self._end(seen, loud=False)

    def _titled(self, seen: Seen, words: str) -> str:
        return safe_text(f"{SIMULATED + ': ' if seen.simulated else ''}{words}: {self.name}")

    def _trips(self, seen: Seen) -> Iterator[Message]:
        for event in seen.events:
            if event.get("kind") in ("trip", "unsafe") and not self._tripped:
                self._tripped = True
                yield Message(
                    "trip", self._titled(seen, "TRIPPED"), _facts(seen, str(event.get("text", ""))), loud=True
                )

    def _limits(self, seen: Seen) -> Iterator[Message]:
        live = seen.live
        if live is None or not live.nearest or live.nearest_share is None:
            return
        if live.nearest_share > FAR_SHARE:
            self._told_near.discard(live.nearest)
        if not live.nearest_share < NEAR_SHARE:
            self._near.pop(live.nearest, None)
            return
        self._near[live.nearest] = self._near.get(live.nearest, 0) + 1
        if self._near[live.nearest] >= NEAR_LOOKS and live.nearest not in self._told_near:
            self._told_near.add(live.nearest)
            words = f"{live.nearest}: {100 * live.nearest_share:.0f} % of the way to the limit left"
            yield Message("near", self._titled(seen, "near a limit"), _facts(seen, words))

    def _silence(self, seen: Seen, *, utc: datetime, wall_s: float) -> Iterator[Message]:
        silent_s = self._quiet.push(seen, wall_s=wall_s, utc=utc)
        period_s = seen.live.period_s if seen.live is not None else 1.0
        if silent_s <= max(SILENT_S, 10.0 * period_s):
            self._again_of = ""
            return
        words = f"nothing written for {clock_words(silent_s)}: the run hangs, or its disk does. Go, look, measure first"
        yield from self._again(Message("silent", self._titled(seen, "SILENT"), _facts(seen, words), loud=True), wall_s)

    def _again(self, message: Message, wall_s: float) -> Iterator[Message]:
        if message.title != self._again_of:
            self._again_of, self._repeats, self._said_s = message.title, 0, -math.inf
        if self._repeats < AGAIN_MOST and not wall_s - self._said_s < AGAIN_S:
            self._repeats, self._said_s = self._repeats + 1, wall_s
            yield message

    def _end(self, seen: Seen, *, loud: bool) -> Message:
        died = seen.outcome == INTERRUPTED
        words = {"unsafe": "OFF NOT CONFIRMED", INTERRUPTED: "DIED"}.get(seen.outcome, f"ended, {seen.outcome}")
        lines = end_lines(seen)
        return Message("silent" if died else "end", self._titled(seen, words), _facts(seen, *lines), loud=loud)

    @staticmethod
    def _seen_off(seen: Seen) -> bool:
        return seen.guard is not None and seen.guard.off_at is not None


def _facts(seen: Seen, *lines: str) -> str:
    """``lines``, and what was read last."""
    last = seen.last
    if last is not None:
        known = (
            clock_words(last.elapsed_s) + " after its start",
            last.state,
            _reading(last.pack_volts, "V"),
            _reading(last.pack_amps, "A"),
            _reading(last.pack_temp_c, "degC"),
        )
        lines = (*lines, "last sample: " + ", ".join(known))
    return "\n".join(safe_text(line) for line in lines)


def _reading(value: float, unit: str) -> str:
    return f"{value:.4g} {unit}" if math.isfinite(value) else f"{unit} unknown"
