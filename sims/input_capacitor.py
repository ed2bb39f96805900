"""The capacitor at a UPS's battery terminals while the node's volts have to move far.

It is charged through leads when something is hooked up, and it feeds the inverter while the bench gives less than the
inverter asks: C dV/dt = amps in - what the UPS draws. Volts go in stairs; the time of each is the integral of
C dV / (amps in - draw), the bench's amps taken at the stair's middle, so that a constant current takes its exact time.

Not modelled: the capacitor while volts move by less than a fifth of a volt or within 20 us (taken as at once).
"""

from __future__ import annotations

import math
from collections.abc import Callable

LEAST_MOVE_V = 0.2
LEAST_TIME_S = 2e-5
STAIRS = 24
NEARLY = 0.95
"""Share of the last stair that is climbed when volts only come near their goal."""

POINTS = 8
"""Even number of Simpson intervals in one stair."""


class InputCapacitor:
    """``farads`` (0 = none) and where its volts are."""

    def __init__(self, farads: float) -> None:
        self.farads = farads
        self.volts = math.nan
        """Volts it brings along; nan = wherever the node is."""
        self.held_volts = math.nan
        """Volts it holds the node at now; nan while it follows the node."""
        self.due_s = math.inf
        self._whole_v = self._stair_v = 0.0
        self._begun_s = 0.0

    def follow(self, node_volts: float) -> None:
        """Be at the node's volts, unless it holds them."""
        if math.isnan(self.held_volts):
            self.volts, self._whole_v = node_volts, 0.0

    def arrive(self, t_s: float) -> None:
        """At the end of a stair its volts are where it led; before, in proportion."""
        if not math.isnan(self.held_volts):
            done = 1.0 if t_s >= self.due_s else (t_s - self._begun_s) / (self.due_s - self._begun_s)
            self.volts += done * self._stair_v
        self.held_volts, self.due_s = math.nan, math.inf

    def next_stair(self, goal_v: float, *, passes: bool) -> float:
        """Middle of the next stair toward ``goal_v``, V; nan when it is as good as there.

        ``passes``: volts go on beyond the goal; else they only come near, and the last bit is left out.
        """
        gap = goal_v - self.volts
        if self.farads <= 0.0 or math.isnan(gap):
            return math.nan
        if not self._whole_v * gap > 0.0:
            if abs(gap) < LEAST_MOVE_V:
                return math.nan
            self._whole_v = gap / STAIRS
        if abs(gap) < (1e-9 if passes else 1.0 - NEARLY) * abs(self._whole_v):
            return math.nan
        share = 1.0 if passes else NEARLY
        self._stair_v = math.copysign(min(abs(self._whole_v), share * abs(gap)), gap)
        return self.volts + 0.5 * self._stair_v

    def hold(self, *, amps: float, draw: Callable[[float], float], goal_v: float, t_s: float) -> bool:
        """Climb (or fall) one stair with ``amps`` coming in and ``draw`` of V going on; False when it need not.

        That is when the move takes next to no time, or the current leads the other way.
        """
        step = self._stair_v
        low = self.volts
        total = 0.0
        for k in range(POINTS + 1):
            net = amps - draw(low + step * k / POINTS)
            if not net * step > 0.0:
                return False
            total += (1.0 if k in (0, POINTS) else 4.0 if k % 2 else 2.0) / net
        seconds = self.farads * step / POINTS / 3.0 * total
        if seconds * abs(goal_v - low) / abs(step) < LEAST_TIME_S:
            return False
        self.held_volts, self._begun_s, self.due_s = low + 0.5 * step, t_s, t_s + seconds
        return True
