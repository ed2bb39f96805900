"""What a trial of an instrument's own stop works with, and what it comes to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.load import Load
from drivers.supply import Supply
from harness.arming import Note
from harness.clock import Clock
from harness.config import BenchFile
from harness.rig import Rig


@dataclass(frozen=True, slots=True)
class Seen:
    """One stop that acted: volts that were there, the level it was moved to, V; how long it took, s."""

    instrument: str
    what: str
    volts: float
    level: float
    took_s: float


Pause = Callable[[float], None]
"""Lets so many s of bench time pass; raises when somebody asked for the end."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where stops are tried. ``note`` puts an event into the record; ``pause`` lets time pass."""

    bench: BenchFile
    rig: Rig
    clock: Clock
    note: Note
    pause: Pause

    def switch_on(self, driver: Load | Supply) -> None:
        """On, unless somebody has asked for the end while it was looked at and armed."""
        self.pause(0.0)
        driver.switch(True)

    def told(self, seen: Seen, text: str) -> Seen:
        """A stop that acted goes into the record, synced: ``text`` is what is said of it."""
        self.note(
            "stop tried",
            sync=True,
            instrument=seen.instrument,
            what=seen.what,
            volts=round(seen.volts, 3),
            level=seen.level,
            took_s=round(seen.took_s, 2),
            text=f"{seen.instrument}: {text}",
        )
        return seen
