"""How long one off has taken, and who hears that it goes on: the guard with every step, a person once it takes too
long. Nothing in here raises.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from harness.clock import Clock
from harness.rig import Rig
from harness.tape import CLOCK

LOUD_S = 10.0
"""Off that is not confirmed so long after the first order is said aloud, s of machine time, or just before a step that
would be over only after that."""


class Signs(Protocol):
    """Signs of life to whoever watches; none may raise or wait."""

    def switching_off(self) -> None: ...
    def proving_off(self) -> None: ...
    def still_on(self, state: str) -> None: ...
    def was_off(self) -> None: ...


class NobodyWatches:
    """Where there is no guard."""

    def switching_off(self) -> None: ...
    def proving_off(self) -> None: ...
    def still_on(self, state: str) -> None: ...
    def was_off(self) -> None: ...


class OffTime:
    """Of one off, which begins now. ``loud`` is called once, when it takes too long."""

    def __init__(self, rig: Rig, clock: Clock, *, signs: Signs, loud: Callable[[], None]) -> None:
        self._rig, self._clock, self._signs, self._loud = rig, clock, signs, loud
        self._began, self._began_wall = clock.now(), clock.wall()
        self.was_loud = False

    def took(self) -> float:
        """How long it has taken, s: bench time, or machine time where that passed faster (stalls, silent lines)."""
        return self._clock.tape.took(self._clock.now() - self._began, self._clock.wall() - self._began_wall)

    def for_s(self, seconds: float) -> Callable[[], bool]:
        """Whether so long has not passed yet, by neither clock."""
        until, until_wall = self._clock.now() + seconds, self._clock.wall() + seconds

        def over() -> bool:
            return not (self._clock.now() < until and self._clock.wall() < until_wall)

        return lambda: not self._clock.tape.came(CLOCK, "time is up", over, nothing=False)

    def step(self, name: str = "") -> None:
        """One more step, with this instrument."""
        self._signs.switching_off()
        self._say_loud(self._deaf_s(name))

    def _deaf_s(self, name: str) -> float:
        """How long nothing comes of it for sure, s: it starts anew when its line is opened."""
        driver = self._rig.drivers.get(name)
        if driver is None or driver.session.wire.is_open:
            return 0.0
        return driver.session.wire.boot_s

    def _say_loud(self, more_s: float = 0.0) -> None:
        if not (self.was_loud or self._clock.wall() - self._began_wall + more_s < LOUD_S):
            self.was_loud = True
            with suppress(Exception):
                self._loud()

    def wait(self, seconds: float) -> None:
        """Pass bench time."""
        self._signs.switching_off()
        self._pass(seconds)

    def wait_proving(self, seconds: float) -> None:
        """Pass bench time: all say off, and a witness is asked."""
        self._signs.proving_off()
        self._pass(seconds)

    def wait_on_purpose(self, seconds: float, state: str) -> None:
        """Pass bench time: what goes last is left on meanwhile."""
        self._signs.still_on(state)
        self._pass(seconds)

    def _pass(self, seconds: float) -> None:
        self._say_loud()
        with suppress(Exception):  # a clock that was lost goes on by itself
            self._clock.sleep(seconds)
