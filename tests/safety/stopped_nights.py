"""Short nights that are stopped at each of their samples, and how they must have ended."""

from __future__ import annotations

from night import Night, judge, truly_off

SHOWN = {"capacity": 17, "charge": 28}
"""Samples handed out in the short nights; the clean ones before switching on are not."""

EVERY_SAMPLE = [(procedure, at) for procedure, shown in SHOWN.items() for at in range(1, shown)]
"""All but the last: what is asked for then comes too late to end anything."""


def stopped(night: Night, name: str) -> None:
    assert judge(night) == []
    assert truly_off(night.world)
    assert (night.exit_code, night.result.outcome) == (20, "stopped")
    assert night.result.end_reason == f"stopped by a person ({name})"
    assert [event["text"] for event in night.events("stop")] == [night.result.end_reason]
    kinds = [event["kind"] for event in night.events()]
    assert kinds.index("stop") < len(kinds) - 1 - kinds[::-1].index("off")
    assert kinds[-1] == "ended"
