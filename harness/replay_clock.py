"""The clock of a recorded run: it stands where the tape says that it stood, and passes when somebody waits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from harness.addresses import simulated
from harness.clock import Clock
from harness.config import BenchFile
from harness.errors import Usage
from harness.plain import safe_text
from harness.recorder import on_grid

MOST_SPEED, MOST_ZERO_S = 1e6, 1e10
"""A line that tells more was written by nobody."""

KINDS = ("virtual", "stepped", "scaled", "wall")


class ReplayClock(Clock):
    """``kind`` and ``speed`` are those of the run's clock; ``zero_s`` is what that one counted when the record was
    begun, ``utc0`` the calendar time at which it was made."""

    def __init__(self, *, kind: str, speed: float, zero_s: float, utc0: datetime) -> None:
        super().__init__()
        self._utc0 = utc0
        self.kind = kind
        self.speed = speed
        self.runs_by_itself = kind in ("wall", "scaled")
        self.exact = kind == "virtual"
        self.zero_s, self._begun_s = on_grid(zero_s), zero_s
        self._now_s = zero_s
        self._machine_s = 0.0

    def now(self) -> float:
        return self._now_s

    def wall(self) -> float:
        """What the machine counted is on the tape; here it passes with bench time, or with lines that are silent."""
        return self._machine_s + (self._now_s / self.speed if self.runs_by_itself else 0.0)

    def utc(self) -> datetime:
        return self.utc_at(self._now_s)

    def utc_at(self, now_s: float) -> datetime:
        """Calendar time when the clock stands there, s, had nobody set it."""
        return self._utc0 + timedelta(seconds=now_s)

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = lambda: False) -> None:
        if not stop():
            self._now_s = max(self._now_s, t_s)

    def begins(self) -> None:
        """The record is begun here."""
        self._now_s = self._begun_s

    def stands_at(self, elapsed_s: float) -> None:
        """So much after the beginning of the record."""
        self._now_s = self.zero_s + elapsed_s

    def machine_passes(self, seconds: float) -> None:
        """A line was silent for so long; where bench time goes on meanwhile the tape tells it."""
        if not self.runs_by_itself:
            self._machine_s += seconds


def _moment(told: object) -> datetime:
    """With a zone, and far enough from where the calendar ends. Raises ``ValueError``."""
    found = datetime.fromisoformat(str(told))
    if found.tzinfo is None or not 1970 <= found.year <= 2200:
        raise ValueError(str(told))
    return found


def clock_as_recorded(head: Mapping[str, object], bench: BenchFile) -> ReplayClock:
    """The clock that the first line of ``wire.jsonl`` tells of; of form 1 the one that goes with the bench file, from
    the calendar time at which the record was begun. Raises ``Usage`` for a line that no run has written."""
    try:
        if "zero_s" not in head:
            in_memory = all(simulated(entry.address) is not None for entry in bench.instruments)
            kind, speed = "virtual" if in_memory else bench.clock.kind, float(bench.clock.speed)
            return ReplayClock(kind=kind, speed=speed, zero_s=0.0, utc0=_moment(head["utc"]))
        kind, speed, zero_s = str(head["clock"]), float(str(head["speed"])), float(str(head["zero_s"]))
        if kind not in KINDS or not (0.0 < speed <= MOST_SPEED and abs(zero_s) <= MOST_ZERO_S):
            raise ValueError(f"{kind}, {speed}, {zero_s}")
        return ReplayClock(kind=kind, speed=speed, zero_s=zero_s, utc0=_moment(head["utc0"]))
    except (KeyError, ValueError, TypeError, OverflowError) as error:
        raise Usage(f"wire.jsonl: line 1: not what a run has written there ({safe_text(str(error))[:60]})") from error
