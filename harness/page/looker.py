"""Looks at the run's folder for all that have the page open: one look at a time, and none of them waited for long.

A disk that hangs holds up one thread; the page goes on saying what was seen last, and how long ago.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from harness.folder import RunFolder
from harness.following import Follower, Seen
from harness.watching import Quiet, end_lines, headline, readings, silence_words, told_events

LOOK_EVERY_S = 0.5
"""Shortest machine time between two looks, however many ask."""

WAIT_S = 1.5
"""Longest wait for a look before what was seen earlier is told."""

EVENTS_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Look:
    """One look: when it ended (machine time, s), what was seen, and the trace as far as it went."""

    at_s: float
    seen: Seen
    silent_s: float
    points: list[tuple[float, float, float, float, float]]


class Looker:
    """``wall()`` is machine time, s; ``utc()`` the calendar time."""

    def __init__(self, folder: RunFolder, *, wall: Callable[[], float], utc: Callable[[], datetime]) -> None:
        self._folder, self._wall, self._utc = folder, wall, utc
        self._follower, self._quiet = Follower(folder), Quiet()
        self._last: Look | None = None
        self._going: Future[Look] | None = None

    async def look(self) -> Look | None:
        """A fresh look, or the last one where that takes too long; ``None`` before the first."""
        if self._last is None or self._wall() - self._last.at_s >= LOOK_EVERY_S:
            try:
                self._last = await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(self._begin())), WAIT_S)
            except TimeoutError:
                pass
            except Exception:  # a fault of ours in a look must not take the page down
                self._going = None
        return self._last

    def _begin(self) -> Future[Look]:
        if self._going is None or self._going.done():
            going: Future[Look] = Future()
            self._going = going
            # A daemon: a look that hangs with its disk must not keep the server from ending.
            threading.Thread(target=self._take, args=(going,), name="look", daemon=True).start()
        return self._going

    def _take(self, going: Future[Look]) -> None:
        try:
            seen = self._follower.look()
            while seen.behind:  # a long record, at first: meanwhile the page says that it is being read
                seen = self._follower.look()
            silent_s = self._quiet.push(seen, wall_s=self._wall(), utc=self._utc())
            found = Look(self._wall(), seen, silent_s, self._follower.trace.points)
        except BaseException as error:
            going.set_exception(error)
        else:
            going.set_result(found)

    def document(self, look: Look | None) -> dict[str, Any]:
        """The page's state as plain data."""
        if look is None:
            return {
                "on": True,
                "headline": f"{self._folder.name}: its record is being read, or its folder does not answer",
                "trouble": [],
                "old_s": 0,
            }
        seen, live = look.seen, look.seen.live
        return {
            "on": seen.is_on,
            "outcome": seen.outcome,
            "headline": headline(seen, self._folder.name),
            "simulated": seen.simulated,
            "readings": [list(one) for one in readings(seen)],
            "silence": silence_words(look.silent_s, seen),
            "nearest": "" if live is None else live.nearest,
            "nearest_share": None if live is None else live.nearest_share,
            "events": told_events(seen, EVENTS_SHOWN)[::-1],
            "trouble": list(seen.trouble),
            "ended": end_lines(seen),
            "rows": seen.rows,
            "old_s": round(max(0.0, self._wall() - look.at_s), 1),
        }

    @staticmethod
    def trace(look: Look | None) -> dict[str, list[float | None]]:
        """Columns of the trace: hours, volts, amps, Ah, degC; null where something was missing."""
        points = [] if look is None else look.points
        names = ("hours", "volts", "amps", "charge_ah", "temp_c")
        columns = zip(*points, strict=True) if points else ((),) * len(names)
        found = {name: [_plain(value) for value in column] for name, column in zip(names, columns, strict=True)}
        found["hours"] = [None if value is None else value / 3600.0 for value in found["hours"]]
        return found


def _plain(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None
