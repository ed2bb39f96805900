"""What a turn of a loop that is on rests on outside: asked of its clock, disk, guard and people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.outside import Outside

if TYPE_CHECKING:
    from harness.loop import Loop
    from harness.reading import Turn


def outside_of(loop: Loop, turn: Turn, stamp_s: float, *, turn_wall_s: float) -> Outside:
    """All that this turn of the loop rests on, as it is now."""
    clock = loop.clock
    record_age_s, disk_free_bytes = loop.record_state()
    return Outside(
        now_s=clock.now(),
        stamp_s=stamp_s,
        utc=f"{clock.utc().replace(tzinfo=None).isoformat(timespec='milliseconds')}Z",
        turn_wall_s=turn_wall_s,
        call_wall_s=turn.call_s if clock.runs_by_itself else 0.0,
        guard_silent_s=loop.guard_silent_s(),
        guard_astray=loop.guard_astray(),
        record_age_s=record_age_s,
        disk_free_bytes=disk_free_bytes,
        unwatched_s=loop.nobody_s(),
    )
