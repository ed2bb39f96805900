"""The clocks. Nothing else outside the simulator's server may ask the machine for the time.

Bench time is what procedures and limits about the bench are counted in; machine time (``wall``) is what stalls, call
deadlines and disk syncs are counted in, and is real on every clock.
"""

from __future__ import annotations

import math
import socket
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from harness.errors import PreflightRefused, Usage
from harness.tape import SILENT, Tape

SLICE_S = 0.05
"""Longest real wait between two looks at the stop flag."""

SHORTEST_PERIOD_S = 0.05
"""Shortest loop period in machine time at which a scaled clock may be used."""


def _never() -> bool:
    return False


class Clock(ABC):
    """Bench time in seconds since the clock was made, monotonic."""

    kind: str = ""
    runs_by_itself = True
    """True when bench time goes on while the program is busy."""

    exact = False
    """True when bench time follows from waits and exchanges alone."""

    tape: Tape = SILENT
    """That of the run that is on."""

    def __init__(self) -> None:
        self._utc0 = datetime.now(UTC)

    @property
    def utc0(self) -> datetime:
        """The calendar time at which this clock was made."""
        return self._utc0

    def instant(self) -> float:
        """Bench time for what goes into a figure or the record, s; it is on the tape."""
        return self.tape.instant(self.now)

    @abstractmethod
    def now(self) -> float:
        """Bench time, s."""

    @abstractmethod
    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = _never) -> None:
        """Wait until bench time ``t_s``; come back early when ``stop()`` is true."""

    def wall(self) -> float:
        """Machine time, s, monotonic, real on every clock."""
        return time.monotonic()

    def utc(self) -> datetime:
        """The calendar time that goes with bench time."""
        return self._utc0 + timedelta(seconds=self.now())

    def slept_s(self) -> float:
        """How long the machine has been asleep since this clock was made, s; 0 where that cannot be told, or where
        bench time stands still meanwhile."""
        return 0.0

    def sleep(self, seconds: float, *, stop: Callable[[], bool] = _never) -> None:
        """Wait ``seconds`` of bench time."""
        self.sleep_until(self.now() + seconds, stop=stop)

    def catch_up(self) -> None:  # noqa: B027 - only the stepped clock can fall behind
        """Somebody else may have let bench time pass: see what it is now."""

    def close(self) -> None:  # noqa: B027 - only the stepped clock holds anything
        """Give back what the clock holds."""


class VirtualClock(Clock):
    """Time of a simulated bench in memory: it passes when somebody waits, and costs nothing."""

    kind = "virtual"
    runs_by_itself = False
    exact = True

    def __init__(self, *, utc0: datetime | None = None) -> None:
        super().__init__()
        self._now = 0.0
        if utc0 is not None:
            self._utc0 = utc0

    def now(self) -> float:
        return self._now

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = _never) -> None:
        if not stop():
            self._now = max(self._now, t_s)


def _asleep() -> tuple[float, float]:
    """Between which two the time lies that the machine has slept since it was started, s; (0, 0) where it keeps no
    such clock. CLOCK_BOOTTIME of Linux goes on in sleep, CLOCK_MONOTONIC does not (clock_gettime(2))."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    if boot is None:
        return 0.0, 0.0
    # This process may be put aside between two looks: that must never pass for sleep, hence one on both sides.
    before = time.clock_gettime(time.CLOCK_MONOTONIC)
    now = time.clock_gettime(boot)
    after = time.clock_gettime(time.CLOCK_MONOTONIC)
    return now - after, now - before


class WallClock(Clock):
    """Real time, for real instruments."""

    kind = "wall"

    def __init__(self) -> None:
        super().__init__()
        self._start = time.monotonic()
        self._asleep_before = _asleep()[1]

    def slept_s(self) -> float:
        return max(0.0, _asleep()[0] - self._asleep_before)

    def now(self) -> float:
        return time.monotonic() - self._start

    def utc(self) -> datetime:
        # The calendar clock may be stepped in the night; the run wants to see that, not to hide it.
        return datetime.now(UTC)

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = _never) -> None:
        # A signal handler that only sets a flag does not cut a long sleep short, hence the slices.
        while not stop():
            left = t_s - self.now()
            if left <= 0:
                return
            time.sleep(min(left, SLICE_S))


class ScaledClock(WallClock):
    """Real time multiplied, for a served simulated bench that runs as fast."""

    kind = "scaled"

    def __init__(self, *, speed: float, period_s: float) -> None:
        super().__init__()
        if period_s / speed < SHORTEST_PERIOD_S:
            raise Usage(
                f"clock: speed = {speed:g}: a loop period of {period_s:g} s would last "
                f"{1000 * period_s / speed:.1f} ms of real time, the least is {1000 * SHORTEST_PERIOD_S:g} ms; "
                f"use speed <= {period_s / SHORTEST_PERIOD_S:g}, or serve the bench with --stepped"
            )
        self.speed = speed

    def now(self) -> float:
        return super().now() * self.speed

    def utc(self) -> datetime:
        return self._utc0 + timedelta(seconds=self.now())

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = _never) -> None:
        while not stop():
            left = (t_s - self.now()) / self.speed
            if left <= 0:
                return
            time.sleep(min(left, SLICE_S))


class SteppedClock(Clock):
    """Time of a served simulated bench that stands still until the harness says how far to go.

    One line each way over the bench's own control connection: ``to 12.500`` is answered ``at 12.500``.
    """

    kind = "stepped"
    runs_by_itself = False

    def __init__(self, *, control: str, timeout_s: float = 20.0) -> None:
        super().__init__()
        host, _, port = control.rpartition(":")
        try:
            self._socket = socket.create_connection((host, int(port)), timeout=timeout_s)
        except (OSError, ValueError) as error:
            raise PreflightRefused(
                f"clock: control = {control}: the simulated bench does not answer ({error}); "
                "start it with `nightbench simulate --stepped` and use the bench file it names"
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._control = control
        self._lines = self._socket.makefile("rb")
        self._alone: WallClock | None = None
        self._now = 0.0
        self._origin = 0.0
        self._origin = self._say("now")

    def _say(self, line: str) -> float:
        try:
            self._socket.sendall(line.encode() + b"\n")
            reply = self._lines.readline()
        except OSError as error:
            raise self._gone(str(error)) from error
        word, _, value = reply.decode("ascii", "replace").strip().partition(" ")
        try:
            told = float(value) if word == "at" else math.nan
        except ValueError:
            told = math.nan
        if not math.isfinite(told):
            raise self._gone(f"answered {reply!r} to {line!r}")
        return told - self._origin

    def _gone(self, why: str) -> StandstillLost:
        # From here on time passes by itself, so that switching off can still wait between its readings.
        self._alone = WallClock()
        return StandstillLost(self._control, why)

    @property
    def lost(self) -> bool:
        """The simulated bench has stopped answering; from then on time passes by itself."""
        return self._alone is not None

    def now(self) -> float:
        return self._now if self._alone is None else self._now + self._alone.now()

    def catch_up(self) -> None:
        if self._alone is None:
            self._now = self._say("now")

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = _never) -> None:
        if self._alone is not None:
            self._alone.sleep_until(t_s - self._now, stop=stop)
        elif t_s > self._now and not stop():
            # Twelve digits: a run of weeks still steps to the microsecond.
            self._now = self._say(f"to {t_s + self._origin:.6f}")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


class StandstillLost(PreflightRefused):
    """The served bench's control connection went away: time cannot pass any more."""

    def __init__(self, control: str, why: str) -> None:
        super().__init__(f"clock: control = {control}: the simulated bench stopped answering: {why}")
