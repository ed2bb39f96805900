"""Whether a UPS still has mains when its node is dead: its AC output tells.

A charger that finds no battery only pulses, which no voltmeter need see, and a UPS takes some seconds to trust mains
that came back. So where a contact tells of the output, it is watched for as long: a switch may have welded, there may
be a second feed, somebody may have put the plug back.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.contact import Contact
from harness.rig import Rig

AWAY_S = 5.0
"""So long after everything went off the output may still come alive, s: UPSs look at mains for up to some 3 s before
they take it (common practice, no source)."""

WORDS = "but the UPS's output is alive: it has mains, whatever its switch says"


class MainsAway:
    """Looks at one bench's contact of the AC output. ``wait`` passes bench time and never raises."""

    def __init__(self, rig: Rig, *, wait: Callable[[float], None]) -> None:
        entry = rig.bench_file.sensing("ac-output")
        driver = rig.drivers.get(entry.name) if entry is not None else None
        self._contact = driver if isinstance(driver, Contact) else None
        self._wait = wait
        self._watched = False

    def still_there(self) -> bool:
        """Whether the output is alive, now or within ``AWAY_S``; the first time only it is waited for. A contact that
        does not answer says nothing, as none does."""
        for left_s in range(0 if self._watched else round(AWAY_S), -1, -1):
            alive = self._closed()
            if alive is not False or not left_s:
                self._watched = True
                return alive is True
            self._wait(1.0)
        return False

    def _closed(self) -> bool | None:
        if self._contact is None:
            return None
        try:
            return self._contact.closed()
        except Exception:  # whatever it is, there is no answer
            return None
