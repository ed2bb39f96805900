"""The fold behind one step of constant current: how long the pack held it, how low it went, its resistance at 1 and
10 s. It knows nothing of a bench, so it runs as well over a recording or over a trajectory made elsewhere.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field
from itertools import pairwise

from procedures.detectors import EndVolts, Opened
from procedures.series import Point, slope_around, slope_of

HELD = "held"
END_VOLTS = "end voltage"
PACK_OPENED = "pack opened"
LOAD_LIMITED = "load limited"

BEFORE_S = 1.0
FINE_PERIOD_S = 0.1
"""Samples at least this often tell the resistance at 1 s."""

FINE_SLACK = 1.5
"""Spacing may be this many times ``FINE_PERIOD_S`` before a figure at 1 s is left out."""

SHORT_SHARE = 0.97
"""Under this share of the set current, pack not opened, the load does not get it: a limit of its own."""

LIMITED_ROWS = 3


@dataclass(slots=True)
class StepFold:
    """One step of ``set_amps`` (A), looked at for ``step_s`` from ``on_s``.

    ``before`` are samples with the current still off, ``after`` those with it on; times in s. The end volts (V) are
    looked for from the first second on: a step is short.
    """

    set_amps: float
    step_s: float
    end_v: float
    nominal_volts: float
    on_s: float = math.nan
    before_v: list[Point] = field(default_factory=list)
    before_a: list[Point] = field(default_factory=list)
    after_v: list[Point] = field(default_factory=list)
    after_a: list[Point] = field(default_factory=list)
    temps: list[Point] = field(default_factory=list)
    step_end: str = ""
    end: EndVolts = field(init=False)
    opened: Opened = field(init=False)
    _short: int = 0
    _reached: bool = False

    def __post_init__(self) -> None:
        self.end = EndVolts(end_v=self.end_v, ignore_s=1.0)
        self.opened = Opened(set_amps=self.set_amps, nominal_volts=self.nominal_volts)

    def rest(self, t_s: float, amps: float, volts: float, *, temp_c: float = math.nan) -> None:
        """One sample before the step."""
        if math.isfinite(volts) and math.isfinite(amps):
            self.before_v.append((t_s, volts))
            self.before_a.append((t_s, amps))
        self._warm(t_s, temp_c)

    def switched(self, on_s: float) -> None:
        """Switching on was acknowledged at ``on_s``."""
        self.on_s = on_s
        self.end.start_s = on_s

    def push(self, t_s: float, amps: float, volts: float, *, temp_c: float = math.nan) -> None:
        """One sample of the step; once it has ended later ones are not taken."""
        if self.decided or not t_s >= self.on_s:
            return
        self._warm(t_s, temp_c)
        self.opened.push(t_s, amps, volts)
        if self.opened.opened:
            self.step_end = PACK_OPENED
            return
        if not (math.isfinite(amps) and math.isfinite(volts)):
            return
        if amps > 0.5 * self.set_amps:
            self.after_v.append((t_s, volts))
            self.after_a.append((t_s, amps))
            self.end.push(t_s, volts)
        self._short = self._short + 1 if self._is_short(amps) else 0
        if self.end.confirmed:
            self.step_end = END_VOLTS
        elif self._short >= LIMITED_ROWS and t_s >= self.on_s + BEFORE_S:
            self.step_end = LOAD_LIMITED
        elif t_s >= self.on_s + self.step_s - 1e-9:
            self.step_end = HELD

    def _is_short(self, amps: float) -> bool:
        return 0.5 * self.set_amps < amps < SHORT_SHARE * self.set_amps

    def _warm(self, t_s: float, temp_c: float) -> None:
        if math.isfinite(temp_c):
            self.temps.append((t_s, temp_c))

    @property
    def decided(self) -> bool:
        return bool(self.step_end)

    @property
    def opened_s(self) -> float:
        """From switch-on to half-way between the last good sample and the first without current, s; nan unless the
        pack opened."""
        if self.step_end != PACK_OPENED:
            return math.nan
        return 0.5 * (self._last_good_s + self.opened.gone_s) - self.on_s

    @property
    def opened_half_s(self) -> float:
        """Half of that distance, s."""
        return 0.5 * (self.opened.gone_s - self._last_good_s)

    @property
    def _last_good_s(self) -> float:
        return self.on_s if self.opened.last_good is None else self.opened.last_good[0]

    @property
    def held_s(self) -> float:
        """How long the current flowed, s."""
        if self.step_end == PACK_OPENED:
            return self.opened_s
        return self.after_v[-1][0] - self.on_s if self.after_v else 0.0

    @property
    def min_v(self) -> float:
        """Least volts under the current, V; nan without a sample."""
        return min((v for _, v in self.after_v), default=math.nan)

    @property
    def rest_points(self) -> list[Point]:
        """Volts of the last second before the current."""
        end = self.before_v[-1][0] if self.before_v else 0.0
        return [p for p in self.before_v if p[0] > end - BEFORE_S - 1e-9]

    @property
    def rest_v(self) -> float:
        """Their mean, V; nan without one."""
        return _mean(self.rest_points)

    @property
    def rest_a(self) -> float:
        """Mean current of that second, A: an ammeter's offset, or what else flows; 0 without a sample."""
        end = self.before_a[-1][0] if self.before_a else 0.0
        amps = [p for p in self.before_a if p[0] > end - BEFORE_S - 1e-9]
        return _mean(amps) if amps else 0.0

    @property
    def rest_slope(self) -> float:
        """How fast the rested volts still move, V/s, over the last five seconds; nan without two samples."""
        end = self.before_v[-1][0] if self.before_v else 0.0
        return slope_of(p for p in self.before_v if p[0] > end - 5.0)

    def spacing_s(self, after_s: float) -> float:
        """Largest distance between samples around ``after_s`` from switch-on, s; inf without samples on both sides."""
        due = self.on_s + after_s
        times = [t for t, _ in self.after_v]
        left, right = [t for t in times if t <= due + 1e-9], [t for t in times if t >= due - 1e-9]
        return min(right) - max(left) if left and right else math.inf

    def typical_spacing_s(self) -> float:
        """Median distance between the first samples of the step (up to 5 s), s; inf with fewer than three."""
        times = [t for t, _ in self.after_v if t <= self.on_s + 5.0]
        gaps = [b - a for a, b in pairwise(times)]
        return statistics.median(gaps) if len(gaps) > 1 else math.inf

    def drop(self, after_s: float) -> tuple[float, float]:
        """Volts lost and amps gained ``after_s`` from switch-on, by straight lines between samples; nan if none."""
        due = self.on_s + after_s
        return self.rest_v - between(self.after_v, due), between(self.after_a, due) - self.rest_a

    def slope(self, after_s: float) -> float:
        """How fast the volts move ``after_s`` from switch-on, V/s."""
        return slope_around(self.after_v, self.on_s + after_s, half_s=max(0.5, 0.2 * after_s))


def between(points: list[Point], t_s: float) -> float:
    """The value at ``t_s`` on the straight line between the samples around it; nan outside them."""
    before: Point | None = None
    for point in points:
        if abs(point[0] - t_s) <= 1e-9:
            return point[1]
        if point[0] > t_s:
            if before is None:
                return math.nan
            (t0, v0), (t1, v1) = before, point
            return v0 + (t_s - t0) / (t1 - t0) * (v1 - v0)
        before = point
    return math.nan


def _mean(points: list[Point]) -> float:
    return math.fsum(v for _, v in points) / len(points) if points else math.nan
