"""Short stretches of a series: mean, slope, when a level was crossed. Points are (time in s, value)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

Point = tuple[float, float]


def slope_of(points: Iterable[Point]) -> float:
    """Least-squares slope, value per s; nan with fewer than two different times."""
    inside = tuple(points)
    if len(inside) < 2:
        return math.nan
    t_mean = math.fsum(t for t, _ in inside) / len(inside)
    v_mean = math.fsum(v for _, v in inside) / len(inside)
    spread = math.fsum((t - t_mean) ** 2 for t, _ in inside)
    return math.fsum((t - t_mean) * (v - v_mean) for t, v in inside) / spread if spread else math.nan


def slope_around(points: Sequence[Point], t_s: float, *, half_s: float) -> float:
    """Least-squares slope within ``half_s`` of ``t_s``; nan without two samples there."""
    return slope_of(p for p in points if abs(p[0] - t_s) <= half_s)


def stretch_at(points: Sequence[Point], t_s: float) -> float:
    """Time between the samples before and after ``t_s``, s; 0 where it has none on one of its sides."""
    before = max((t for t, _ in points if t < t_s), default=math.nan)
    after = min((t for t, _ in points if t >= t_s), default=math.nan)
    return after - before if after >= before else 0.0


def rises_to(points: Sequence[Point], level: float) -> float:
    """When the series first came up to ``level``, on the straight line between the samples around it; nan if never."""
    before: Point | None = None
    for t_s, value in points:
        if value >= level:
            if before is None or not before[0] < t_s:
                return t_s
            t0, v0 = before
            return t0 + (level - v0) / (value - v0) * (t_s - t0)
        before = (t_s, value)
    return math.nan


@dataclass(slots=True)
class Tail:
    """Mean and slope over the last ``length_s`` of what was pushed. A value that is not a number is skipped."""

    length_s: float
    points: list[Point] = field(default_factory=list)

    def push(self, t_s: float, value: float) -> None:
        """One sample."""
        if not math.isfinite(value):
            return
        self.points.append((t_s, value))
        if len(self.points) > 64 and self.points[len(self.points) // 2][0] < t_s - self.length_s:
            self.points = self.inside()

    def inside(self) -> list[Point]:
        """The samples in (end - length, end]."""
        end = self.points[-1][0] if self.points else 0.0
        return [p for p in self.points if p[0] > end - self.length_s]

    @property
    def mean(self) -> float:
        """Mean of the samples in (end - length, end]; nan without any."""
        inside = self.inside()
        return math.fsum(v for _, v in inside) / len(inside) if inside else math.nan

    @property
    def slope_per_s(self) -> float:
        """Least-squares slope of the same samples; nan with fewer than two."""
        return slope_of(self.inside())
