"""Folds around the sweep: waiting with mains on, whether a UPS that is off starts again, its draw without a load."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.floor_fold import MAINS_BACK, RUNS_SHARE, Bracket
from procedures.series import Point
from procedures.stand_in import Level, UpsRow

AFTER_PULSE_S = 15.0
"""After a self-test the charger comes back with its delay and its ramp; so long is waited."""


@dataclass(slots=True)
class MainsFold:
    """With mains on: until ``wait_s`` are over and no self-test is going on. At most ``most_s`` more.

    A self-test shows as the inverter's power (more than ``pulse_w`` into the UPS), coming and going with mains on. It
    is counted in ``pulses`` (begin and end, s) and nothing else is made of it.
    """

    began_s: float
    pulse_w: float
    wait_s: float
    most_s: float = 120.0
    pulses: list[tuple[float, float]] = field(default_factory=list)
    driven: bool = False
    done: bool = False
    _pulse_s: float = math.nan
    _idle_seen: bool = False

    def push(self, row: UpsRow) -> None:
        """One row; a missing reading counts for the time only."""
        self.driven = self.driven or row.mode == "driven" or row.amps < 0
        if math.isfinite(row.amps) and row.volts > 0:
            self._look_for_pulse(row, runs=row.amps * row.volts > self.pulse_w)
        waited = row.t_s - self.began_s
        quiet_s = row.t_s - self.pulses[-1][1] if self.pulses else math.inf
        over = waited >= self.wait_s and math.isnan(self._pulse_s) and quiet_s >= AFTER_PULSE_S
        self.done = self.done or over or waited >= self.wait_s + self.most_s

    def _look_for_pulse(self, row: UpsRow, *, runs: bool) -> None:
        if runs and self._idle_seen and math.isnan(self._pulse_s):
            self._pulse_s = row.t_s
        elif not runs:
            if not math.isnan(self._pulse_s):
                self.pulses.append((self._pulse_s, row.t_s))
            self._pulse_s, self._idle_seen = math.nan, True


@dataclass(slots=True)
class RestartFold:
    """After a cut-off, mains still away: the volts are raised again, level by level, and nothing else is done.

    ``restarted`` once the inverter's current has been there twice in a row; ``bracket`` is then where. ``mains_back``:
    what was seen tells nothing, as mains came back meanwhile. ``tolerance_v``: volts further than this from those set
    are still those of the level before, as some supplies take their time.
    """

    expected_w: float
    dwell_s: float
    tolerance_v: float = math.inf
    levels: list[Level] = field(default_factory=list)
    restarted: bool = False
    mains_back: str = ""
    _running: int = 0
    _driven: int = 0
    _last_s: float = math.nan

    @property
    def decided(self) -> bool:
        return self.restarted or bool(self.mains_back)

    @property
    def level_done(self) -> bool:
        """Whether the level was held for its dwell and no current is in doubt."""
        return self._running == 0 and self._last_s - self.levels[-1].began_s >= self.dwell_s - 1e-9

    def begin(self, *, set_v: float, t_s: float) -> None:
        """The supply was told ``set_v`` at ``t_s``."""
        self.levels.append(Level(set_v, t_s))

    def push(self, row: UpsRow) -> None:
        """One row."""
        if self.decided or not self.levels or not (math.isfinite(row.volts) and math.isfinite(row.amps)):
            return
        self._last_s = row.t_s
        self._driven = self._driven + 1 if row.mode == "driven" else 0
        if row.mains is True or self._driven >= 2:
            self.mains_back = MAINS_BACK
            return
        runs = row.volts > 0 and row.amps > RUNS_SHARE * self.expected_w / row.volts
        self._running = self._running + 1 if runs else 0
        self.restarted = self._running >= 2
        if not runs and abs(row.volts - self.levels[-1].set_v) <= self.tolerance_v:
            self.levels[-1].keep(row)

    @property
    def bracket(self) -> Bracket | None:
        """Between the last level at which it stayed off and the one at which it started; None unless it did."""
        if not self.restarted or len(self.levels) < 2:
            return None
        on, off = self.levels[-1], self.levels[-2]
        # Off it draws next to nothing, so there is no drop over the leads and the volts set are those at the UPS.
        upper = on.mean_v if on.volts else on.set_v
        lower = off.mean_v if off.volts else off.set_v
        return Bracket(upper, min(lower, upper), computed=not on.volts or not off.volts)


@dataclass(slots=True)
class IdleFold:
    """Draw without an AC load: rows of the second half of ``for_s`` from ``began_s``. ``went_off``: without a load the
    UPS switched itself off and draws less than ``off_w``."""

    began_s: float
    for_s: float
    off_w: float
    volts: list[Point] = field(default_factory=list)
    amps: list[Point] = field(default_factory=list)
    done: bool = False

    def push(self, row: UpsRow) -> None:
        """One row; a missing reading is left out."""
        waited = row.t_s - self.began_s
        if math.isfinite(row.volts) and math.isfinite(row.amps) and row.mode in ("cv", ""):
            self.volts.append((row.t_s, row.volts))
            self.amps.append((row.t_s, row.amps))
        self.done = self.done or waited >= self.for_s

    @property
    def went_off(self) -> bool:
        return not self.mean_v * self.mean_a >= self.off_w

    @property
    def mean_v(self) -> float:
        return _mean(self._second_half(self.volts))

    @property
    def mean_a(self) -> float:
        return _mean(self._second_half(self.amps))

    @property
    def taken(self) -> list[float]:
        """The amps the mean is made of."""
        return [amps for _, amps in self._second_half(self.amps)]

    def _second_half(self, points: list[Point]) -> list[Point]:
        return [point for point in points if point[0] >= self.began_s + 0.5 * self.for_s]


def _mean(points: list[Point]) -> float:
    return math.fsum(value for _, value in points) / len(points) if points else math.nan
