"""Virtual clocks for nights: one whose calendar is set, by a person, a time server or summer time; one that goes on by
itself as machine time does; one beside a machine whose time is set by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from harness.clock import VirtualClock

EVENING = datetime(2025, 3, 1, 21, tzinfo=UTC)


class Calendar(VirtualClock):
    """A virtual clock whose calendar is set by ``step_s`` once bench time is ``at_s``."""

    def __init__(self, *, at_s: float, step_s: float, utc0: datetime = EVENING) -> None:
        super().__init__(utc0=utc0)
        self.at_s, self.step_s = at_s, step_s

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.step_s if self.now() >= self.at_s else 0.0)


class RunningClock(VirtualClock):
    """Bench time that goes on by itself, as machine time does; both pass when somebody waits or stalls."""

    runs_by_itself = True

    def wall(self) -> float:
        return self.now()


class StallingClock(VirtualClock):
    """Bench time in memory, and a machine whose time is set by hand."""

    def __init__(self) -> None:
        super().__init__()
        self.wall_s = 0.0

    def wall(self) -> float:
        return self.wall_s
