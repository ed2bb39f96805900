"""Moments of a run: message numbers at which something may happen, by the phase of the run they lie in.

They are found in an undisturbed run of the same procedure on the same bench, which is the same message for message: by
what is said and shown there, never by what the procedure is called.
"""

from __future__ import annotations

import functools
import tempfile
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any

from grid_play import Scene, play

from harness.block import STATE_WORDS
from harness.procedure import procedures

PHASES = ("preflight", "entering", "holding", "ending", "safe-off")
"""Before the first look is over; between arming and the first reading under current; in the middle of it; the last
samples before the procedure's own end; between the first "off" and the proof of it."""

LONG_S = 30.0
"""On a long night "holding" is so long after switching on."""

ON, OFF = (b"OUTP ON", b"INP ON"), (b"OUTP OFF", b"INP OFF")
CARRIES = ("supply", "load")


@dataclass(frozen=True, slots=True)
class Reference:
    """What an undisturbed run was like. ``moments``: phase -> what distinguishes the moment -> message number."""

    moments: dict[str, dict[str, int]]
    ons: int
    """How often supply or load went on."""
    ends: tuple[int, str]
    held: list[tuple[object, ...]] = field(default_factory=list)
    """What supply and load were set to each time."""


@functools.cache
def reference(procedure: str, kind: str, night: str, variant: str) -> Reference:
    """The undisturbed run of an installed procedure."""
    with tempfile.TemporaryDirectory() as place:
        scene = play(Path(place), procedures()[procedure], kind, night=night, variant=variant)
    peaks = scene.peaks
    return Reference(moments(scene, night), len(peaks.ons), (scene.exit_code, scene.reason), peaks.held)


def moments(scene: Scene, night: str) -> dict[str, dict[str, int]]:
    """Message numbers at which something may happen, by phase, read off a whole run."""
    blocks = _blocks(scene)
    assert blocks, f"{scene.procedure.name}: no block {scene.kind!r} in this run: {scene.exit_code} {scene.reason}"
    heard = scene.wires.heard
    first, last = blocks[0], blocks[-1]
    on = _last_before(heard, first[0][0], ON)
    off = _first_from(heard, last[-1][0], OFF)
    arm = next(n for n in range(scene.started_at, on + 1) if heard[n][1] in CARRIES and not heard[n][2].endswith(b"?"))
    told = max(
        n for n in range(on) if heard[n][1] in CARRIES and not heard[n][2].endswith(b"?") and heard[n][2] not in ON
    )
    found = {
        "preflight": {"first word": 0, "mid-look": scene.started_at // 2},
        "entering": {"on": on, "arm": arm, "armed": told + 2, "read back": on + 1},
        "ending": {"last samples": last[-3 if len(last) > 3 else 0][0]},
        "safe-off": {"off": off + 1, "off again": off + 3},
    }
    if night == "long":
        at_s = first[0][1] + LONG_S
        found["holding"] = {"in it": next(n for n, one in enumerate(heard) if one[0] >= at_s and n > on)}
    else:
        found["holding"] = _holding(blocks)
    return found


def _blocks(scene: Scene) -> list[list[tuple[int, float, Any, str]]]:
    """Runs of samples under the current of this kind."""
    found: list[list[tuple[int, float, Any, str]]] = []
    before = ""
    for row in scene.shown:
        state = row[2].state
        if state == STATE_WORDS[scene.kind]:
            if before != state:
                found.append([])
            found[-1].append(row)
        before = state
    return found


def _holding(blocks: list[list[tuple[int, float, Any, str]]]) -> dict[str, int]:
    """The middle of the longest block; of a UPS the middle of each stage it goes through."""
    longest = max(blocks, key=len)
    found = {"in it": longest[len(longest) // 2][0]}
    if longest[0][2].mains is None:
        return found
    stages: dict[str, list[int]] = {}
    for label, rows in groupby(longest, key=_stage):
        numbers = [row[0] for row in rows]
        stages[label] = max(stages.get(label, []), numbers, key=len)
    return found | {stage: numbers[len(numbers) // 2] for stage, numbers in stages.items() if len(numbers) > 3}


def _stage(row: tuple[int, float, Any, str]) -> str:
    return f"{row[3]}, mains {'on' if row[2].mains else 'off'}"


def _last_before(heard: list[tuple[float, str, bytes]], number: int, orders: tuple[bytes, ...]) -> int:
    return max(n for n in range(number) if heard[n][1] in CARRIES and heard[n][2] in orders)


def _first_from(heard: list[tuple[float, str, bytes]], number: int, orders: tuple[bytes, ...]) -> int:
    """The first "off" after which nothing is said but what switches off and proves it."""
    return next(n for n in range(number, len(heard)) if heard[n][1] in CARRIES and heard[n][2] in orders)
