"""What one turn of the loop rests on that no instrument says: the clocks, the disk, the guard, whoever must be there.

The interlocks are given what stands here and nothing else, and the same goes onto the tape of the run, so that whoever
plays the tape judges what the run has judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import lru_cache

TURN_LEAST_S, GUARD_LEAST_S, RECORD_LEAST_S = 0.05, 0.5, 2.0
"""Less than this of machine time, s, is nothing: every limit on it is far above, and a machine is never quite even."""


@dataclass(frozen=True, slots=True)
class Outside:
    """Of one turn. ``now_s``: bench time when it is judged, on the clock's own count; ``stamp_s``: the sample's time
    since the run began; ``utc`` its stamp. The rest is as in ``Watch``: machine time in s save ``unwatched_s``, which
    is bench time."""

    now_s: float
    stamp_s: float
    utc: str
    turn_wall_s: float = 0.0
    call_wall_s: float = 0.0
    guard_silent_s: float = 0.0
    guard_astray: str = ""
    record_age_s: float = 0.0
    disk_free_bytes: float = math.inf
    unwatched_s: float = 0.0

    def told(self) -> Outside:
        """As it is judged and kept: machine time to the millisecond, the disk's room rounded down."""
        return Outside(
            self.now_s,
            self.stamp_s,
            self.utc,
            _in_ms(self.turn_wall_s, TURN_LEAST_S),
            _in_ms(self.call_wall_s, TURN_LEAST_S),
            _in_ms(self.guard_silent_s, GUARD_LEAST_S),
            self.guard_astray,
            _in_ms(self.record_age_s, RECORD_LEAST_S),
            rounded_down(self.disk_free_bytes),
            self.unwatched_s,
        )

    @property
    def quiet(self) -> bool:
        """Nothing to be told but stamp, calendar and the disk's room."""
        return not (
            self.turn_wall_s
            or self.call_wall_s
            or self.guard_silent_s
            or self.guard_astray
            or self.record_age_s
            or self.unwatched_s
        )


PLAIN = {one.name: one.default for one in fields(Outside) if one.name not in ("now_s", "stamp_s", "utc")}
"""What is not told anew is this; of ``disk_free_bytes`` it is what was told last."""


def _in_ms(seconds: float, least_s: float) -> float:
    """Rounded up: no limit is passed later. nan stays what it is: it is never inside one."""
    if seconds < least_s:
        return 0.0
    return math.ceil(1000.0 * seconds) / 1000.0 if math.isfinite(seconds) else seconds


@lru_cache(maxsize=8)
def rounded_down(size: float) -> float:
    """To three digits: it is told when it changes, and a disk always changes a little."""
    if not (math.isfinite(size) and size >= 1000.0):
        return size
    unit = 10.0 ** (math.floor(math.log10(size)) - 2)
    return math.floor(size / unit) * unit
