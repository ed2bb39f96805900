"""A watchdog of an instrument's line: when nothing is said to it for a set time, it switches off and stays off.

No standard has headers for one; these are ours, in the form of SCPI. Whatever message comes puts it off, one that is
refused too; it is off at first, and forgotten at every restart and by ``*RST``. What was programmed survives that it
expires. Habits: it ``acts``; it is ``ignored`` (accepted, read back, never expires); what was on comes back as it is
cleared (``restores``), even though off was said meanwhile (``insists``), or by itself with the next message
(``resumes``).

Not modelled: a line that is closed as such (it counts silence only); a message that is never ended.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from sims.message import Command, setting
from sims.program_data import Boolean, Number

LEAST_S, MOST_S, FIRST_S = 1.0, 3600.0, 60.0
STEP_S = 1.0

HEADER = "SYSTem:COMMunicate:WATChdog"


class Port(Protocol):
    """What it switches off, electrically."""

    watchdog_due_s: float
    watchdog_expired: bool


class _World(Protocol):
    t: float

    def changed(self) -> None: ...


class Guarded(Protocol):
    """An output or an input with what it was last asked for."""

    @property
    def port(self) -> Port: ...
    @property
    def world(self) -> _World: ...
    def come_back(self) -> None:
        """On again, if it was last told on."""


class Watchdog:
    """One for all ``outputs`` of an instrument."""

    def __init__(self, outputs: Sequence[Guarded], *, habit: str) -> None:
        self._outputs, self._habit = outputs, habit
        self.armed, self.seconds = False, FIRST_S

    @property
    def expired(self) -> bool:
        """Whether it has switched off and was not cleared."""
        return any(one.port.watchdog_expired for one in self._outputs)

    def reset(self) -> None:
        """As at first: off, and nothing remembered."""
        self.armed, self.seconds = False, FIRST_S
        for one in self._outputs:
            one.port.watchdog_expired = False
        self._due(math.inf)

    def heard(self) -> None:
        """A message came, whatever it says."""
        if self.expired:
            if self._habit == "resumes":
                self.clear(comes_back=True)
        elif self.armed and self._habit != "ignored":
            for one in self._outputs:
                one.port.watchdog_due_s = one.world.t + self.seconds

    def arm(self, on: bool) -> None:
        """Begin to count, or wait for ever."""
        self.armed = on
        self._count()

    def set_seconds(self, seconds: float) -> None:
        """How long nothing may be said, s."""
        self.seconds = seconds
        self._count()

    def clear(self, *, comes_back: bool | None = None) -> None:
        """Forget that it has expired."""
        was = self.expired
        for one in self._outputs:
            one.port.watchdog_expired = False
        self._count()
        if was and (self._habit in ("restores", "insists") if comes_back is None else comes_back):
            for one in self._outputs:
                one.come_back()

    def _count(self) -> None:
        if self.expired:
            return
        counts = self.armed and self._habit != "ignored"
        self._due(self.seconds if counts else math.inf)

    def _due(self, after_s: float) -> None:
        for one in self._outputs:
            one.port.watchdog_due_s = one.world.t + after_s
            one.world.changed()

    def commands(self) -> tuple[Command, ...]:
        """What it understands."""
        span = Number(LEAST_S, MOST_S, FIRST_S, "S", STEP_S)
        return (
            setting(HEADER + "[:STATe]", Boolean(), get=lambda: self.armed, put=self.arm),
            setting(HEADER + ":TIME", span, get=lambda: self.seconds, put=self.set_seconds),
            Command(HEADER + ":TRIPped", ask=lambda: "1" if self.expired else "0"),
            Command(HEADER + ":CLEar", set=self.clear),
        )
