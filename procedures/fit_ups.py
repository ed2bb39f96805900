"""The UPS's battery side as it was measured: what power it takes and where it stops, by the load on its output.

Between loads that were measured both run in straight lines. Elsewhere they are carried on, and how far that may be off
is a doubt of its own: an inverter's efficiency and its floor move with load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

POWER_DOUBT = 0.15
"""Of the difference in battery power to the nearest load measured, half-width (judgement)."""

FLOOR_DOUBT_V_CELL = 0.15
"""How far a floor may move between no load and rated load, V per lead-acid cell, half-width (common practice: 1.60 to
1.75 V a cell, lower at higher load; no source)."""

SAME_W = 0.02
"""Loads this near to one another, as a share, are the same load (judgement)."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """One floor found: V at the UPS and W into it, with ``ac_w`` (W) on the output. ``floor_v`` nan: not found."""

    run: str
    ac_w: float
    floor_v: float
    dc_w: float


@dataclass(frozen=True, slots=True)
class UpsSide:
    """Sweeps by rising load, no two at the same; ``idle_w`` is taken without load, nan when that was not measured.

    ``floor_off_v`` and ``power_scale`` move what was measured; ``floor_law`` (V at rated load's distance) and
    ``power_law`` (share of the difference) what was not. Raises ValueError without sweeps.
    """

    sweeps: tuple[Sweep, ...]
    rated_w: float
    idle_w: float = math.nan
    floor_off_v: float = 0.0
    power_scale: float = 1.0
    floor_law: float = 0.0
    power_law: float = 0.0

    def __post_init__(self) -> None:
        loads = [sweep.ac_w for sweep in self.sweeps]
        if not loads or any(not a < b for a, b in pairwise(loads)) or not loads[0] > 0:
            raise ValueError(f"sweeps at {loads} W: wanted one or more by rising load")

    def nearest(self, ac_w: float) -> Sweep:
        """The sweep whose load is nearest."""
        return min(self.sweeps, key=lambda sweep: abs(sweep.ac_w - ac_w))

    def measured_at(self, ac_w: float) -> bool:
        """Whether this very load was on the output in a sweep."""
        return abs(self.nearest(ac_w).ac_w - ac_w) <= SAME_W * ac_w

    def dc_w(self, ac_w: float) -> float:
        """Power into the battery side at ``ac_w`` on the output, W."""
        plain, near = self._plain_w(ac_w), self.nearest(ac_w).dc_w
        return self.power_scale * (plain + self.power_law * abs(plain - near))

    def _plain_w(self, ac_w: float) -> float:
        nodes = [(sweep.ac_w, sweep.dc_w) for sweep in self.sweeps]
        if math.isfinite(self.idle_w):
            nodes.insert(0, (0.0, self.idle_w))
        if len(nodes) == 1:
            return nodes[0][1] * ac_w / nodes[0][0]
        return _between(nodes, ac_w, go_on=True)

    def floor_v(self, ac_w: float) -> float:
        """Volts at the UPS at which it stops with ``ac_w`` on the output, V."""
        away = abs(self.nearest(ac_w).ac_w - ac_w) / self.rated_w
        nodes = [(sweep.ac_w, sweep.floor_v) for sweep in self.sweeps]
        return _between(nodes, ac_w) + self.floor_off_v + self.floor_law * away

    def amps(self, ac_w: float) -> float:
        """The largest current at ``ac_w``: at the floor, A."""
        return self.dc_w(ac_w) / self.floor_v(ac_w)

    def moved(
        self,
        *,
        floor_v: float = 0.0,
        power: float = 0.0,
        load: float = 0.0,
        floor_law: float = 0.0,
        power_law: float = 0.0,
    ) -> UpsSide:
        """As it would be with these much higher (V; shares); ``load``: the loads in the sweeps."""
        return replace(
            self,
            sweeps=tuple(replace(sweep, ac_w=sweep.ac_w * (1.0 + load)) for sweep in self.sweeps),
            floor_off_v=self.floor_off_v + floor_v,
            power_scale=self.power_scale + power,
            floor_law=self.floor_law + floor_law,
            power_law=self.power_law + power_law,
        )


def _between(nodes: list[tuple[float, float]], at: float, *, go_on: bool = False) -> float:
    """On the straight line between the nodes around ``at``; below them the first value, above the last one, or, with
    ``go_on``, further along the last line."""
    if at <= nodes[0][0]:
        return nodes[0][1]
    for (x0, y0), (x1, y1) in pairwise(nodes):
        if at <= x1 or (go_on and x1 == nodes[-1][0]):
            return y0 + (y1 - y0) * (at - x0) / (x1 - x0)
    return nodes[-1][1]
