"""Decisions as pure folds: push samples in, look at the state. No clock, no instrument, no file.

The same folds run live, over a recording and over trajectories that this program never made. Times in s, volts in V,
currents in A, charge in Ah, energy in Wh. A value that is not a number is skipped and never decides anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without samples longer than three periods. ``half_width_ah`` bounds the charge that went unseen:
    anything between none and the larger of the currents on both sides, for the whole stretch."""

    start_s: float
    end_s: float
    half_width_ah: float


@dataclass(slots=True)
class ChargeCounter:
    """Charge and energy by the trapezoid on the samples' own time stamps.

    ``start_s`` is when the current was switched on: the current of the first sample is held back to it. A gap longer
    than ``3 * period_s`` is bridged by the trapezoid and listed in ``gaps`` with its bounds, never in silence.
    """

    period_s: float
    start_s: float | None = None
    charge_ah: float = 0.0
    energy_wh: float = 0.0
    gaps: list[Gap] = field(default_factory=list)
    last: tuple[float, float, float] | None = None

    def push(self, t_s: float, amps: float, volts: float) -> None:
        if not (math.isfinite(t_s) and math.isfinite(amps) and math.isfinite(volts)):
            return
        if self.last is None:
            began = t_s if self.start_s is None else self.start_s
            self.last = (began, amps, volts)
        t0, amps0, volts0 = self.last
        hours = (t_s - t0) / SECONDS_PER_HOUR
        if t_s - t0 > 3 * self.period_s + 1e-9:
            # The trapezoid sits inside the bounds 0 .. largest current; the half-width covers both ends.
            self.gaps.append(Gap(t0, t_s, max(abs(amps), abs(amps0)) * hours))
        self.charge_ah += 0.5 * (amps + amps0) * hours
        self.energy_wh += 0.5 * (amps * volts + amps0 * volts0) * hours
        self.last = (t_s, amps, volts)

    def up_to(self, t_s: float, amps: float, volts: float) -> tuple[float, float]:
        """Charge and energy if the last stretch ended at ``t_s``; the state is left as it is."""
        if self.last is None:
            return 0.0, 0.0
        t0, amps0, volts0 = self.last
        hours = (t_s - t0) / SECONDS_PER_HOUR
        return (
            self.charge_ah + 0.5 * (amps + amps0) * hours,
            self.energy_wh + 0.5 * (amps * volts + amps0 * volts0) * hours,
        )


@dataclass(slots=True)
class EndVolts:
    """The crossing of an end voltage downwards.

    The crossing is the straight line between the last sample above and the first at or below; it counts when the next
    sample is at or below as well, so that one dip does not end a run. The first ``ignore_s`` after ``start_s`` are
    not looked at: leads and slew make a dip at switch-on.
    """

    end_v: float
    start_s: float = 0.0
    ignore_s: float = 5.0
    crossing_s: float | None = None
    slope_v_per_s: float = math.nan
    confirmed: bool = False
    _above: tuple[float, float] | None = None

    def push(self, t_s: float, volts: float) -> None:
        if self.confirmed or not math.isfinite(volts) or t_s < self.start_s + self.ignore_s:
            return
        if volts > self.end_v:
            self._above = (t_s, volts)
            self.crossing_s = None
        elif self.crossing_s is None:
            self._cross(t_s, volts)
        else:
            self.confirmed = True

    def _cross(self, t_s: float, volts: float) -> None:
        if self._above is None:
            # Never seen above: the pack was at or under its end voltage from the start.
            self.crossing_s = t_s
            return
        t0, v0 = self._above
        self.slope_v_per_s = (volts - v0) / (t_s - t0)
        self.crossing_s = t0 + (self.end_v - v0) / self.slope_v_per_s


@dataclass(slots=True)
class Opened:
    """The pack's own switch (or the fuse) opened under load: the current is gone though it is still commanded.

    Two samples in a row; the first of them either with the terminals under half the nominal volts or with the current
    fallen by more than half within one sample. ``last_good`` is the last sample with more than half the set current.
    """

    set_amps: float
    nominal_volts: float
    opened: bool = False
    last_good: tuple[float, float, float] | None = None
    _suspect: bool = False
    _before: float = math.nan

    def push(self, t_s: float, amps: float, volts: float) -> None:
        if self.opened or not math.isfinite(amps):
            return
        gone = amps < 0.05 * self.set_amps
        if amps > 0.5 * self.set_amps and math.isfinite(volts) and volts > 0.5 * self.nominal_volts:
            self.last_good = (t_s, amps, volts)
        if gone and self._suspect:
            self.opened = True
        elif gone:
            fell = amps < 0.5 * self._before
            self._suspect = fell or volts < 0.5 * self.nominal_volts
        else:
            self._suspect = False
        self._before = amps


@dataclass(slots=True)
class Taper:
    """The end of a CC-CV charge by current: at or under ``end_a`` for ``hold_s``, after the current has been above it.

    ``opened`` says instead that the pack's own switch ended it: the current collapsed by 95 % or more within one
    sample and stayed there. A cell's own taper has a time constant of seconds to minutes and cannot do that (common
    practice, no source); taking it for "full" would be the mistake.
    """

    end_a: float
    hold_s: float = 10.0
    reached_s: float | None = None
    done: bool = False
    opened: bool = False
    end_amps: float = math.nan
    _seen_above: bool = False
    _before: float = math.nan
    _collapsed_from: float | None = None

    def push(self, t_s: float, amps: float) -> None:
        if self.done or self.opened or not math.isfinite(amps):
            return
        if self._collapsed_from is not None:
            self.opened = amps < 0.05 * self._collapsed_from
            self._collapsed_from = None
        elif self._before >= 0.5 * self.end_a and amps < 0.05 * self._before:
            self._collapsed_from = self._before
        self._before = amps
        if amps > self.end_a:
            self._seen_above, self.reached_s = True, None
        elif self._seen_above and not self.opened:
            if self.reached_s is None:
                self.reached_s = t_s
            self.end_amps = amps
            self.done = self._collapsed_from is None and t_s - self.reached_s >= self.hold_s - 1e-9


@dataclass(slots=True)
class Tail:
    """Mean, slope and extremes over the last ``length_s`` of what was pushed."""

    length_s: float
    points: list[tuple[float, float]] = field(default_factory=list)

    def push(self, t_s: float, value: float) -> None:
        if not math.isfinite(value):
            return
        self.points.append((t_s, value))
        if len(self.points) > 64 and self.points[len(self.points) // 2][0] < t_s - self.length_s:
            self.points = self._inside()

    def _inside(self) -> list[tuple[float, float]]:
        end = self.points[-1][0] if self.points else 0.0
        return [p for p in self.points if p[0] > end - self.length_s]

    @property
    def mean(self) -> float:
        inside = self._inside()
        return sum(v for _, v in inside) / len(inside) if inside else math.nan

    @property
    def slope_per_s(self) -> float:
        """Least-squares slope; nan with fewer than two points."""
        inside = self._inside()
        if len(inside) < 2:
            return math.nan
        n = len(inside)
        t_mean = sum(t for t, _ in inside) / n
        v_mean = sum(v for _, v in inside) / n
        spread = sum((t - t_mean) ** 2 for t, _ in inside)
        return sum((t - t_mean) * (v - v_mean) for t, v in inside) / spread if spread else math.nan
