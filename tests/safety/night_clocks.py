"""A virtual clock whose calendar is set in the night: by a person, a time server, or summer time."""

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
