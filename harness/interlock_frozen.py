"""The interlock on readings that have stopped: an instrument that answers, and always the same.

A quiet display on a flat part of a discharge may rightly show one value for hours, so standing still proves nothing by
itself. Three things do: a reading whose last digits were never at rest and suddenly are; another voltmeter of the node
that moves while this one does not; and charge enough for volts that have to fall. Before it counts, everything is read
once more. No set-point is moved to find out: a capacity would not be one any more.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from itertools import pairwise

from harness.findings import Facts, Finding, Watch
from harness.interlock import Interlock, middle
from harness.limits_settings import SETTINGS
from harness.sample import Sample

ENDINGS = ("_volts", "_amps", "_temp_c")

REMEMBERED = 60
LIVELY_VALUES = 4
LIVELY_TURNS = 10
"""Of the last sixty readings a lively one shows at least four values and turns round ten times. With noise over so many
steps the chance of sixty equal readings is under 1e-16; with less it may sit in the middle of a step for long."""

SMALL_STEPS = 3.0
"""A reading of no more than this many of its own steps is nothing, and nothing may well stand still."""

APART_V = 0.010
"""Another voltmeter has moved when it is farther than this, and five steps of this one, from where it was."""

STEPS_DUE = 5.0
UNKNOWN_STEP_V = 0.010
"""Step taken for a voltmeter that has not changed yet."""

SLOPE_V_CELL = {"lifepo4": 0.0, "nmc": 0.2, "agm": 0.05}
"""Least fall of a cell's volts over a whole discharge, were it as flat everywhere as where it is flattest (judgement).
Of LiFePO4 nothing can be promised."""


class _Track:
    """One reading: since when it stands still, what its last digits did before, its least step."""

    __slots__ = ("asked", "before", "recent", "same", "since_s", "step", "value")

    def __init__(self) -> None:
        self.value = math.nan
        self.since_s = math.nan
        self.same = 0
        self.step = math.inf
        self.recent: deque[float] = deque(maxlen=REMEMBERED)
        self.before: dict[str, tuple[float, float]] | None = None
        self.asked = False

    def push(self, now_s: float, value: float) -> float:
        """Seconds since the last change; 0 for one that is missing or next to nothing."""
        if value != value:
            return 0.0
        if value != self.value:
            if self.value == self.value:
                self.step = min(self.step, abs(value - self.value))
            self.value, self.since_s, self.same, self.before, self.asked = value, now_s, 0, None, False
        else:
            self.same += 1
        if self.same <= 3:  # what follows is the standing still itself
            self.recent.append(value)
        if abs(value) <= SMALL_STEPS * self.step and math.isfinite(self.step):
            self.since_s = now_s
        return now_s - self.since_s

    @property
    def lively(self) -> bool:
        """Whether its last digits were never at rest before it stood still."""
        if len(self.recent) < REMEMBERED or len(set(self.recent)) < LIVELY_VALUES:
            return False
        moves = [b - a for a, b in pairwise(self.recent) if a != b]
        return sum(a * b < 0 for a, b in pairwise(moves)) >= LIVELY_TURNS


class Frozen(Interlock):
    """A reading has not changed for a minute though it must have: asked once more, then the run ends."""

    words = "frozen reading"
    settable = (SETTINGS["frozen_s"],)

    def __init__(self, facts: Facts) -> None:
        env = facts.envelope
        self._least_s = env.limit("frozen_s")
        self._rated_ah = facts.rated_ah
        self._fall_v = SLOPE_V_CELL[env.chemistry] * env.cells_in_series
        self._tracks: dict[str, _Track] = {}
        self._pack = _Track()
        self._others: dict[str, deque[float]] = {}

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        now_s = sample.elapsed_s
        found: Finding | None = None
        for column, value in sample.readings.items():
            if column.endswith(ENDINGS):
                track = self._tracks.setdefault(column, _Track())
                still_s = track.push(now_s, value)
                if not (still_s < self._least_s) and track.lively:
                    found = found or self._asked(track, column, still_s, "its last digits were never at rest before")
        for name, volts in watch.volts_elsewhere.items():
            if volts == volts:
                self._others.setdefault(name, deque(maxlen=5)).append(volts)
        return found or self._pack_volts(sample, watch)

    def _pack_volts(self, sample: Sample, watch: Watch) -> Finding | None:
        track = self._pack
        still_s = track.push(sample.elapsed_s, sample.pack_volts)
        if watch.phase not in ("sink", "source") or watch.cv_s > 0:
            return None
        if track.before is None and track.same >= 4:
            track.before = {name: _seen(values) for name, values in self._others.items()}
        if still_s < self._least_s:
            return None
        if other := self._moved(track):
            return self._asked(track, "pack volts", still_s, f"{other} meanwhile")
        due_s = self._due_s(track, watch)
        if watch.phase == "sink" and not (still_s < due_s):
            return self._asked(
                track, "pack volts", still_s, f"at {watch.active_amps:.3f} A they fall within {due_s:.0f} s"
            )
        return None

    def _moved(self, track: _Track) -> str:
        """Words for another voltmeter that has moved since this one stands still."""
        before: Mapping[str, tuple[float, float]] = track.before or {}
        step = track.step if math.isfinite(track.step) else 0.0
        for name, (volts, spread) in before.items():
            now, spread_now = _seen(self._others[name])
            if abs(now - volts) > APART_V + STEPS_DUE * step + spread + spread_now:
                return f"{name} went from {volts:.3f} to {now:.3f} V"
        return ""

    def _due_s(self, track: _Track, watch: Watch) -> float:
        """Within what time the volts have to move by some of their steps, s; inf where nothing can be promised."""
        step = track.step if math.isfinite(track.step) else UNKNOWN_STEP_V
        per_s = watch.active_amps / (3600.0 * self._rated_ah) * self._fall_v
        return max(self._least_s, STEPS_DUE * step / per_s) if per_s > 0 else math.inf

    def _asked(self, track: _Track, what: str, still_s: float, why: str) -> Finding:
        """The first time a reading is only asked for once more; one that then is the same again is a fault."""
        again, track.asked = not track.asked, True
        text = f"{what} has been {track.value:g} for {still_s:.0f} s; {why}"
        return Finding(self.words, text, exit_code=23, again=again, doubts_volts=what.endswith("volts"))


def _seen(values: deque[float]) -> tuple[float, float]:
    """The middle of the last few and how far they are apart."""
    return middle(values), max(values) - min(values)
