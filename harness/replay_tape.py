"""The tape of a recorded run, played: instruments answer what they answered, the clock stands where it stood.

Everything is handed out in the order in which it was written, over all instruments; the first message that is not the
recorded one ends it. Nothing in here asks a machine, a line or a person for anything.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from harness.errors import Usage
from harness.jsonlines import RecordedExchange, RecordedTold
from harness.outside import PLAIN, Outside
from harness.plain import safe_text
from harness.replay_calendar import Calendar
from harness.replay_clock import ReplayClock
from harness.tape import CLOCK, INSTANT, TOOK, TURN, Tape, plain

T = TypeVar("T")
Line = RecordedExchange | RecordedTold

MOST_BETWEEN = 10_000
"""More lines of the tape than this between two exchanges were never written by a run."""


MOST_S = 1e9
"""Longer than thirty years no run takes, s."""


class Over(BaseException):
    """Nothing more can be played: the tape has ended or is damaged, or the run has left it. No ``except Exception``
    eats it."""


class NotATape(Usage):
    """A line that no run has written."""


@dataclass(frozen=True, slots=True)
class SentOtherwise:
    """The first message that is not the recorded one. ``expected``: whom it was for and what; ``None`` where the tape
    has ended. ``sent`` is ``None`` where the run has ended and the tape goes on."""

    at_s: float
    name: str
    sent: bytes | None
    expected: tuple[str, bytes] | None


class ReplayTape(Tape):
    """``lines`` are those of the record, read as they are needed; ``clock`` is set to the time of each."""

    replaying = True

    def __init__(self, lines: Iterable[Line], clock: ReplayClock) -> None:
        super().__init__()
        self._lines = iter(lines)
        self._clock = clock
        self._next: deque[Line] = deque()
        self._late: dict[tuple[str, str], deque[object]] = {}
        self.difference: SentOtherwise | None = None
        self.ended = False
        self.damage: Usage | None = None
        self.closed = False
        """The record was closed: what is said after that is on no tape."""
        self.exchanges = 0
        self._last_s = -math.inf
        self.calendar = Calendar(clock)
        self.ending = ""
        """Why the replay was about to be ended, "" while it was not."""

    @property
    def over(self) -> bool:
        """Whether nothing more can be played."""
        return self.ended or self.damage is not None or self.difference is not None

    # -- the lines -------------------------------------------------------------------------------------------------

    def _ahead(self, index: int = 0) -> Line | None:
        while len(self._next) <= index:
            try:
                line = next(self._lines, None)
            except Usage as damage:
                raise self._damaged(damage) from damage
            if line is None:
                return None
            self._next.append(line)
        return self._next[index]

    def _told_ahead(self) -> Iterator[tuple[int, RecordedTold]]:
        """The lines of the tape before the next exchange."""
        for index in range(MOST_BETWEEN):
            line = self._ahead(index)
            if not isinstance(line, RecordedTold):
                return
            yield index, line
        why = f"wire.jsonl: {MOST_BETWEEN} lines in a row tell of no instrument: not what a run has written"
        raise self._damaged(NotATape(why))

    def _damaged(self, damage: Usage) -> Over:
        # What an instrument's line raises would pass for the line's own trouble.
        self.damage = self.damage or damage
        return Over(str(damage))

    def _take(self) -> Line:
        line = self._next.popleft()
        self._looks.clear()
        if not abs(line.elapsed_s) <= MOST_S:
            raise self._damaged(NotATape(f"wire.jsonl: elapsed_s = {line.elapsed_s:g}: no run takes so long"))
        if isinstance(line, RecordedExchange):
            if line.elapsed_s < self._last_s:
                why = (
                    f"wire.jsonl: a message at {line.elapsed_s:g} s after one at {self._last_s:g} s: no clock goes back"
                )
                raise self._damaged(NotATape(why))
            self._last_s = line.elapsed_s
        self._clock.stands_at(line.elapsed_s)
        return line

    def _pass_over(self, count: int) -> None:
        """Lines that nobody asked for: what came by itself is handed over at the next look for it."""
        for _ in range(count):
            line = self._take()
            if isinstance(line, RecordedTold) and "looks" in line.told:
                self._late.setdefault((line.name, line.what), deque()).append(line.told.get("value"))

    # -- instruments -----------------------------------------------------------------------------------------------

    def peek(self, name: str) -> RecordedExchange | None:
        """The next exchange, where it is one of this instrument; not taken off."""
        count = sum(1 for _ in self._told_ahead())
        line = self._ahead(count)
        return line if isinstance(line, RecordedExchange) and line.name == name else None

    def exchange(self, name: str, sent: bytes) -> RecordedExchange:
        """What came of the message ``sent``. Raises ``Over`` when it is not the next one of the record."""
        if self.closed:
            raise ConnectionError("the record was closed before")
        if self.over:
            raise Over
        self._pass_over(sum(1 for _ in self._told_ahead()))
        line = self._ahead()
        if line is None:
            self.ended = True
            raise Over
        assert isinstance(line, RecordedExchange)
        if (line.name, line.sent) != (name, sent):
            self.difference = SentOtherwise(line.elapsed_s, name, sent, (line.name, line.sent))
            raise Over
        self._take()
        self.exchanges += 1
        return line

    def left(self) -> SentOtherwise | None:
        """What the record still holds once the run is over; ``None``: nothing."""
        self._pass_over(sum(1 for _ in self._told_ahead()))
        line = self._ahead()
        if not isinstance(line, RecordedExchange):
            return None
        return SentOtherwise(line.elapsed_s, line.name, None, (line.name, line.sent))

    # -- everything else -------------------------------------------------------------------------------------------

    def _answer(self, name: str, what: str) -> RecordedTold | None:
        """The line that answers this, taken off; ``None`` when there is none before the next exchange."""
        for index, line in self._told_ahead():
            if (line.name, line.what) == (name, what) and "looks" not in line.told:
                self._pass_over(index)
                self._take()
                return line
        return None

    def answer(
        self,
        name: str,
        what: str,
        ask: Callable[[], T],
        *,
        absent: Callable[[], T],
        pack: Callable[[T], object] = plain,
        unpack: Callable[[Any], T] = lambda told: told,
    ) -> T:
        line = self._answer(name, what)
        if line is None:
            return self._absent(name, what, absent)
        return self._read(line, lambda: unpack(line.told["value"]))

    def _absent(self, name: str, what: str, absent: Callable[[], T]) -> T:
        return absent()

    def came(self, name: str, what: str, look: Callable[[], T], *, nothing: T) -> T:
        key = (name, what)
        self._looks[key] = self._looks.get(key, 0) + 1
        if late := self._late.get(key):
            return self._as(nothing, late.popleft())
        line = self._due(key, self._looks[key])
        if line is None:
            return nothing
        self._take()
        return self._as(nothing, line.told.get("value"))

    def ends(self, reason: str) -> None:
        self.ending = self.ending or reason

    def soon(self, name: str, what: str, look: Callable[[], bool]) -> bool:
        key = (name, what)
        return bool(self._late.get(key)) or self._due(key, self._looks.get(key, 0) + 1) is not None

    def _due(self, key: tuple[str, str], looks: int) -> RecordedTold | None:
        line = self._ahead()
        if not isinstance(line, RecordedTold) or (line.name, line.what) != key or "looks" not in line.told:
            return None
        return line if self._read(line, lambda: looks >= int(str(line.told["looks"]))) else None

    def instant(self, now: Callable[[], float]) -> float:
        line = self._ahead()
        if isinstance(line, RecordedTold) and (line.name, line.what) == (CLOCK, INSTANT):
            self._take()
        return now()

    def took(self, bench_s: float, machine_s: float) -> float:
        key = (CLOCK, TOOK)
        self._looks[key] = self._looks.get(key, 0) + 1
        line = self._due(key, self._looks[key])
        if line is None:
            return bench_s
        self._take()
        return self._read(line, lambda: float(str(line.told["value"])))

    def turn(self, outside: Outside) -> Outside:
        line = self._answer(CLOCK, TURN)
        return outside if line is None else self._read(line, lambda: self._outside(line))

    def _outside(self, line: RecordedTold) -> Outside:
        told = line.told
        found = Outside(
            now_s=self._clock.now(),
            stamp_s=float(str(told["stamp_s"])),
            utc=str(told["utc"]),
            guard_astray=str(told.get("guard_astray", "")),
            **{
                key: float(str(told.get(key, self._disk_free_bytes if key == "disk_free_bytes" else usual)))
                for key, usual in PLAIN.items()
                if key != "guard_astray"
            },
        )
        self._disk_free_bytes = found.disk_free_bytes
        self.calendar.turn(found)
        return found

    def _as(self, nothing: T, value: object) -> T:
        """What came, of the kind that stands for nothing."""
        kind = type(nothing)
        if kind is tuple and isinstance(value, list):
            return tuple(str(one) for one in value)  # type: ignore[return-value]
        if kind is float and isinstance(value, int | float | str):
            return float(value)  # type: ignore[return-value]
        if not isinstance(value, kind):
            why = f"wire.jsonl: {safe_text(repr(value))[:60]}: not what a run has written there"
            raise self._damaged(NotATape(why))
        return value

    def _read(self, line: RecordedTold, read: Callable[[], T]) -> T:
        try:
            return read()
        except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
            where = safe_text(f"{line.name}, {line.what}")[:60]
            why = f"wire.jsonl: {where}, at {line.elapsed_s:g} s: not what a run has written there"
            raise self._damaged(NotATape(f"{why} ({type(error).__name__})")) from error
