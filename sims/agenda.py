"""What a bench has still to do at a later time of its own: contacts that take milliseconds to move.

Not modelled: nothing; this file keeps dates only.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable


class Agenda:
    """Acts with the bench time at which each is due. What is due at the same time is done in the order it came."""

    def __init__(self) -> None:
        self._entries: list[tuple[float, int, Callable[[], object]]] = []
        self._number = 0

    def put(self, t_s: float, act: Callable[[], object]) -> None:
        """Note an act for bench time ``t_s``."""
        self._number += 1
        heapq.heappush(self._entries, (t_s, self._number, act))

    @property
    def due_s(self) -> float:
        """When the next act is due, s; inf when there is none."""
        return self._entries[0][0] if self._entries else math.inf

    def do_next(self) -> None:
        """Do the act that is due first."""
        heapq.heappop(self._entries)[2]()
