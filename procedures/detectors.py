"""Decisions as pure folds: push samples in, look at the state. No clock, no instrument, no file.

The same folds run live, over a recording and over trajectories that this program never made. Times in s, volts in V,
currents in A, charge in Ah, energy in Wh. A value that is not a number is skipped and never decides anything; so is a
sample that lies before the one pushed last.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from procedures.series import slope_of

SECONDS_PER_HOUR = 3600.0

GONE_SHARE = 0.05
"""Under this share of what it was, a current is gone; no cell takes or gives less all at once (judgement)."""


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
    ``slowest_s`` is the longest stretch that is no gap; ``lowest_v`` and ``highest_v`` bound the volts counted with.
    """

    period_s: float
    start_s: float | None = None
    charge_ah: float = 0.0
    energy_wh: float = 0.0
    gaps: list[Gap] = field(default_factory=list)
    last: tuple[float, float, float] | None = None
    slowest_s: float = 0.0
    lowest_v: float = math.inf
    highest_v: float = -math.inf

    @property
    def spacing_s(self) -> float:
        """Time between samples where it was longest, s: the period, or more where instruments took longer."""
        return max(self.period_s, self.slowest_s)

    def push(self, t_s: float, amps: float, volts: float) -> None:
        """One sample; the sign of ``amps`` is kept."""
        if not (math.isfinite(t_s) and math.isfinite(amps) and math.isfinite(volts)):
            return
        if self.last is None:
            self.last = (t_s if self.start_s is None else min(self.start_s, t_s), amps, volts)
        t0, amps0, volts0 = self.last
        if t_s < t0:
            return
        hours = (t_s - t0) / SECONDS_PER_HOUR
        if t_s - t0 > 3 * self.period_s + 1e-9:
            # The trapezoid sits inside the bounds 0 .. largest current; the half-width covers both ends.
            self.gaps.append(Gap(t0, t_s, max(abs(amps), abs(amps0)) * hours))
        else:
            self.slowest_s = max(self.slowest_s, t_s - t0)
        self.lowest_v, self.highest_v = min(self.lowest_v, volts), max(self.highest_v, volts)
        self.charge_ah += 0.5 * (amps + amps0) * hours
        self.energy_wh += 0.5 * (amps * volts + amps0 * volts0) * hours
        self.last = (t_s, amps, volts)

    def push_until(self, end_s: float, t_s: float, amps: float, volts: float) -> None:
        """The last stretch, cut at ``end_s`` on the straight line to the sample at ``t_s`` >= ``end_s``."""
        if self.last is not None and t_s > self.last[0]:
            t0, amps0, volts0 = self.last
            share = (end_s - t0) / (t_s - t0)
            amps, volts = amps0 + share * (amps - amps0), volts0 + share * (volts - volts0)
        self.push(end_s, amps, volts)


SLOPE_POINTS = 10


@dataclass(slots=True)
class EndVolts:
    """The crossing of an end voltage downwards.

    The crossing is the straight line between the last sample above and the first at or below; it counts when the next
    sample is at or below as well, so that one dip does not end a run. The first ``ignore_s`` after ``start_s`` are
    not looked at: leads and slew make a dip at switch-on. ``slope_v_per_s`` is over the last ten samples, so that the
    noise of two does not make it.
    """

    end_v: float
    start_s: float = 0.0
    ignore_s: float = 5.0
    crossing_s: float | None = None
    slope_v_per_s: float = math.nan
    confirmed: bool = False
    _above: tuple[float, float] | None = None
    _recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=SLOPE_POINTS))

    def push(self, t_s: float, volts: float) -> None:
        """One sample."""
        if self.confirmed or not math.isfinite(volts) or not t_s >= self.start_s + self.ignore_s:
            return
        if self._recent and t_s < self._recent[-1][0]:
            return
        self._recent.append((t_s, volts))
        if volts > self.end_v:
            self._above = (t_s, volts)
            self.crossing_s = None
        elif self.crossing_s is None:
            self._cross(t_s, volts)
        else:
            self.confirmed = True

    @property
    def never_above(self) -> bool:
        """Confirmed without a single sample above: the pack was empty, by this end voltage, from the start."""
        return self.confirmed and self._above is None

    def _cross(self, t_s: float, volts: float) -> None:
        self.crossing_s = t_s
        if self._above is None:
            return
        t0, v0 = self._above
        self.slope_v_per_s = slope_of(self._recent)
        # Divided by volts, which do differ: two samples of one instant, before and after a switch, do no harm.
        self.crossing_s = t0 + (v0 - self.end_v) / (v0 - volts) * (t_s - t0)


@dataclass(slots=True)
class Opened:
    """The pack's own switch (or the fuse) opened under load: the current is gone though it is still commanded.

    Two samples in a row; the first of them either with the terminals under half the nominal volts or with the current
    fallen by more than half within one sample. ``last_good`` is the last sample with more than half the set current,
    ``gone_s`` the first one without: the opening lies between the two.
    """

    set_amps: float
    nominal_volts: float
    opened: bool = False
    last_good: tuple[float, float, float] | None = None
    gone_s: float = math.nan
    _suspect: bool = False
    _before: float = math.nan

    def push(self, t_s: float, amps: float, volts: float) -> None:
        """One sample."""
        if self.opened or not math.isfinite(amps):
            return
        gone = amps < GONE_SHARE * self.set_amps
        if amps > 0.5 * self.set_amps and math.isfinite(volts) and volts > 0.5 * self.nominal_volts:
            self.last_good = (t_s, amps, volts)
        if gone and self._suspect:
            self.opened = True
        elif gone:
            self._suspect = amps < 0.5 * self._before or volts < 0.5 * self.nominal_volts
            self.gone_s = t_s
        else:
            self._suspect = False
        self._before = amps


@dataclass(slots=True)
class Taper:
    """The end of a CC-CV charge by current: at or under ``end_a`` for ``hold_s``, after the current has been above it.

    ``reached_s`` is on the straight line between the last sample above and the first at or below; ``end_amps`` on the
    one around ``hold_s`` after it. ``opened`` says instead that the pack's own switch ended it: the current collapsed
    by 95 % or more within one sample and stayed there. A cell's own taper has a time constant of seconds to minutes
    and cannot do that (common practice, no source); taking it for "full" would be the mistake. ``restarts`` counts
    collapses after which the current came back at once.

    A pack that is put on charge full never draws more than ``end_a``: after ``full_s`` of that it counts as full
    (``never_above``), or, when no current to speak of flowed, as ``no_current``, which an open switch also looks like.
    """

    end_a: float
    hold_s: float = 10.0
    full_s: float = 60.0
    reached_s: float | None = None
    done: bool = False
    opened: bool = False
    no_current: bool = False
    restarts: int = 0
    end_amps: float = math.nan
    _seen_above: bool = False
    _first_s: float = math.nan
    _last: tuple[float, float] | None = None
    _collapsed_from: float | None = None

    @property
    def never_above(self) -> bool:
        """Done without ever having been above the end current."""
        return self.done and not self._seen_above

    def push(self, t_s: float, amps: float) -> None:
        """One sample; ``amps`` positive into the pack."""
        if self.done or self.opened or self.no_current or not math.isfinite(amps):
            return
        if self._last is None:
            self._first_s = t_s
        elif t_s < self._last[0]:
            return
        self._look_for_collapse(amps)
        if not self.opened:
            self._look_for_end(t_s, amps)
        self._last = (t_s, amps)

    def _look_for_collapse(self, amps: float) -> None:
        before = self._last[1] if self._last is not None else math.nan
        if self._collapsed_from is not None:
            self.opened = amps < GONE_SHARE * self._collapsed_from
            self.restarts += amps > 0.5 * self._collapsed_from
            self._collapsed_from = None
        elif before >= 0.5 * self.end_a and amps < GONE_SHARE * before:
            self._collapsed_from = before

    def _look_for_end(self, t_s: float, amps: float) -> None:
        if amps > self.end_a:
            self._seen_above, self.reached_s = True, None
        elif self._seen_above:
            if self.reached_s is None:
                self.reached_s = self._when(self.end_a, t_s, amps)
            self._end_after(self.hold_s, self.reached_s, t_s, amps)
        elif t_s - self._first_s >= self.full_s - 1e-9:
            if amps < GONE_SHARE * self.end_a:
                self.no_current = True
            else:
                self._end_after(self.full_s, self._first_s, t_s, amps)

    def _end_after(self, wait_s: float, since_s: float, t_s: float, amps: float) -> None:
        due_s = since_s + wait_s
        self.done = self._collapsed_from is None and t_s >= due_s - 1e-9
        if self.done:
            t0, amps0 = self._last or (t_s, amps)
            share = min(1.0, max(0.0, (due_s - t0) / (t_s - t0))) if t_s > t0 else 1.0
            self.end_amps = amps0 + share * (amps - amps0)

    def _when(self, level_a: float, t_s: float, amps: float) -> float:
        t0, amps0 = self._last or (t_s, amps)
        return t0 + (amps0 - level_a) / (amps0 - amps) * (t_s - t0) if amps0 > level_a > amps else t_s
