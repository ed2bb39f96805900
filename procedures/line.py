"""A straight line through points by least squares, and how well it is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from procedures.series import Point


@dataclass(frozen=True, slots=True)
class Line:
    """y = ``intercept`` + ``slope`` x through ``n`` points; ``scatter`` is their standard deviation about it (n - 2
    degrees of freedom; 0 for two points), ``x_mean`` and ``x_spread`` (sum of squares about it) those of x."""

    intercept: float
    slope: float
    scatter: float
    n: int
    x_mean: float
    x_spread: float

    @property
    def dof(self) -> float | None:
        return float(self.n - 2) if self.n > 2 else None

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope from the scatter alone."""
        return self._u / math.sqrt(self.x_spread)

    @property
    def _u(self) -> float:
        """The scatter as the standard deviation of the t distribution that few points leave (JCGM 101, 6.4.9.4)."""
        dof = self.n - 2
        # Below three degrees of freedom there is none; twice the scatter is then the least that can be said.
        return self.scatter * (math.sqrt(dof / (dof - 2.0)) if dof > 2 else 2.0)

    def at(self, x: float) -> float:
        return self.intercept + self.slope * x

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the line at ``x`` from the scatter alone."""
        return self._u * math.sqrt(1.0 / self.n + (x - self.x_mean) ** 2 / self.x_spread)


def line_through(points: Sequence[Point]) -> Line | None:
    """The least-squares line; None with fewer than two different x."""
    n = len(points)
    if n < 2:
        return None
    x_mean, y_mean = (math.fsum(p[i] for p in points) / n for i in (0, 1))
    spread = math.fsum((x - x_mean) ** 2 for x, _ in points)
    if not spread > 0:
        return None
    slope = math.fsum((x - x_mean) * (y - y_mean) for x, y in points) / spread
    intercept = y_mean - slope * x_mean
    left = math.fsum((y - intercept - slope * x) ** 2 for x, y in points)
    return Line(intercept, slope, math.sqrt(left / (n - 2)) if n > 2 else 0.0, n, x_mean, spread)
