"""The key of a run that somebody must stay with: Enter at the terminal, at least every ten minutes, or it ends.

Whoever sits there presses it unasked or when asked, and every line they type counts for it; a remark that was sent from
elsewhere does not. On a simulated bench its own hands press it when it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.digits import duration
from harness.person import Person

MOST_S = 600.0
"""Bench time after which nobody is taken to be there any more (common practice, no source)."""

ASKED_S = (480.0, 540.0, 570.0)
"""When the key is asked for, s after it was last pressed."""


class Presence:
    """Whether somebody is there. ``why``: what they must be there for. ``now()``: bench time, s; ``instant()`` the same
    for the record. ``note`` writes an
    event. Nothing here raises or waits."""

    def __init__(
        self,
        person: Person,
        *,
        why: str,
        now: Callable[[], float],
        note: Callable[..., None],
        instant: Callable[[], float] | None = None,
    ) -> None:
        self._person, self.why, self._now, self._note = person, why, now, note
        self._instant = instant or now
        self._since_s = now()
        self._asked = 0
        self._unwritten: list[dict[str, float]] = []

    def look(self) -> None:
        """See whether the key was pressed; ask for it when it is due. Writes nothing."""
        if self._person.here():
            now_s = self._instant()
            self._unwritten.append({"unwatched_s": round(now_s - self._since_s, 1), "asked": self._asked})
            self._since_s, self._asked = now_s, 0
            return
        due = sum(self.unwatched_s() >= asked_s for asked_s in ASKED_S)
        if due > self._asked:
            self._asked = due
            left = duration(max(0.0, MOST_S - self.unwatched_s()))
            self._person.wanted(f"STILL THERE? Press Enter within {left} (h:mm:ss), else all goes off")

    def write(self) -> None:
        """Put into the record what was seen, once nothing has to be switched off."""
        for seen in self._unwritten:
            self._note("present", **seen)
        self._unwritten.clear()

    def unwatched_s(self) -> float:
        """How long nobody has shown themselves, s of bench time."""
        return self._now() - self._since_s
