"""The tape of a run: what came in from outside and is no instrument's answer, in the order in which it came.

It lies between the exchanges of ``wire.jsonl``, under names that no instrument may have: ``clock`` (stamps of each
turn, exact instants), ``person`` (what they did, said and noticed), ``computer`` (signals, sleep, the disk, the guard).
With it a run can be played again to the bit. Whoever needs such a thing asks for it through the tape of their clock:
this one, of a run that is on, asks for real and hands on what it got; the one of ``harness/replay_tape.py`` hands back
what was got then, and asks nobody.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from harness.outside import PLAIN, Outside

T = TypeVar("T")

CLOCK, PERSON, COMPUTER = "clock", "person", "computer"
NAMES = frozenset({CLOCK, PERSON, COMPUTER})
"""Names on the tape that are no instrument's."""

TURN, INSTANT, TOOK = "turn", "instant", "took"

WHEN_NOT_QUIET = tuple(key for key in PLAIN if key != "disk_free_bytes")

UNEVEN_S = 0.05
"""So much more machine time than bench time, s, is nothing: a machine is never quite even."""

LEFT_ALONE = "left alone"
"""Whether the run was started to be left alone: the first line that tells of it."""


@dataclass(frozen=True, slots=True)
class Told:
    """One line of it: from whom, what was asked or happened, and what came of it. ``at_s``: bench time on the clock's
    own count, where it was read for this line; ``None``: now."""

    name: str
    what: str
    told: Mapping[str, object]
    at_s: float | None = None


def plain(value: Any) -> Any:
    """As JSON can hold it: what is not finite as its word."""
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


class Tape:
    """Of a run that is on. ``hear`` takes each line and must not raise; ``exact``: bench time follows from waits and
    exchanges alone, so instants need not be kept."""

    replaying = False

    def __init__(self, *, hear: Callable[[Told], None] | None = None, exact: bool = True) -> None:
        self._hear, self._exact = hear, exact
        self._looks: dict[tuple[str, str], int] = {}
        self._disk_free_bytes = math.inf

    def _say(self, name: str, what: str, told: dict[str, object], at_s: float | None = None) -> None:
        self._looks.clear()
        if self._hear is not None:
            self._hear(Told(name, what, told, at_s))

    def exchanged(self) -> None:
        """An instrument's exchange was written between the lines of this tape."""
        if self._looks:
            self._looks.clear()

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
        """What is asked for at a place of the run that always comes. ``pack`` and ``unpack`` turn it into JSON's types
        and back; ``absent``: what it is taken for where a tape does not tell."""
        value = ask()
        self._say(name, what, {"value": pack(value)})
        return value

    def came(self, name: str, what: str, look: Callable[[], T], *, nothing: T) -> T:
        """What may come at any time by itself: looked for often, told when it is there. ``nothing`` is what it is
        while nothing came; how often it was looked for since the last line tells when it came."""
        key = (name, what)
        looks = self._looks[key] = self._looks.get(key, 0) + 1
        value = look()
        if value:
            self._say(name, what, {"value": plain(value), "looks": looks})
        return value

    def ends(self, reason: str) -> None:
        """The run is about to be ended, off first, for this reason."""

    def soon(self, name: str, what: str, look: Callable[[], bool]) -> bool:
        """Whether the next look for it would find something: for waits, which end early then."""
        return look()

    def instant(self, now: Callable[[], float]) -> float:
        """Bench time now, on the clock's own count, s, for what goes into figures and the record."""
        now_s = now()
        if not self._exact:
            self._say(CLOCK, INSTANT, {}, now_s)
        return now_s

    def took(self, bench_s: float, machine_s: float) -> float:
        """The longer of two times that something took, s: bench time, and machine time where that is longer by more
        than a machine is uneven."""
        longer = machine_s - bench_s > UNEVEN_S
        took_s = machine_s if longer else bench_s
        key = (CLOCK, TOOK)
        looks = self._looks[key] = self._looks.get(key, 0) + 1
        if longer or not self._exact:
            self._say(CLOCK, TOOK, {"value": plain(took_s), "looks": looks})
        return took_s

    def turn(self, outside: Outside) -> Outside:
        """What one turn of the loop is judged by."""
        found = outside.told()
        told: dict[str, object] = {"stamp_s": found.stamp_s, "utc": found.utc}
        if not found.quiet:
            for key in WHEN_NOT_QUIET:
                if (value := getattr(found, key)) != PLAIN[key]:
                    told[key] = plain(value)
        if found.disk_free_bytes != self._disk_free_bytes:
            self._disk_free_bytes = found.disk_free_bytes
            told["disk_free_bytes"] = plain(found.disk_free_bytes)
        self._say(CLOCK, TURN, told, found.now_s)
        return found


SILENT = Tape()
"""Where nothing is recorded."""
