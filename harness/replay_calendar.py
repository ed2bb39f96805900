"""Whether the calendar time of a recorded event goes with what the tape says of the calendar."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from math import isfinite

from harness.outside import Outside
from harness.plain import safe_text
from harness.replay_clock import ReplayClock

WITHIN_S = 60.0
"""An instrument that is waited for holds up the run's own time and not the calendar's, or the other way round; longer
than this nothing is waited for between two turns (judgement)."""


class Calendar:
    """Calendar and clock beside each other, as the last turn of the loop told them; before that as they began."""

    def __init__(self, clock: ReplayClock) -> None:
        self._at = clock.utc_at(clock.zero_s)
        self._stamp_s = 0.0

    def turn(self, outside: Outside) -> None:
        """What a turn told; what is no time stands in its sample too, and is found there."""
        with suppress(ValueError):
            if (told := datetime.fromisoformat(outside.utc)).tzinfo is not None and isfinite(outside.stamp_s):
                self._at, self._stamp_s = told, outside.stamp_s

    def unlike(self, event: Mapping[str, object]) -> tuple[str, str] | None:
        """The time it was and the one that is written, where they differ."""
        utc, elapsed_s = event.get("utc"), event.get("elapsed_s")
        # That the calendar was set is written before the turn that saw it is over.
        if not isinstance(elapsed_s, int | float) or event.get("kind") == "clock step":
            return None
        try:
            expected = self._at + timedelta(seconds=elapsed_s - self._stamp_s)
        except (OverflowError, ValueError):
            return "no time at all", safe_text(str(utc))
        try:
            told = datetime.fromisoformat(str(utc))
            apart_s = abs((told - expected).total_seconds())
        except (ValueError, TypeError):
            return expected.isoformat(), safe_text(str(utc))
        return None if apart_s <= WITHIN_S else (expected.isoformat(), safe_text(str(utc)))
