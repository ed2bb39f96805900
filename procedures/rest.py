"""The fold behind a rest: where the pack's volts came to, and whether they still move."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.series import Tail

SETTLED_V_PER_S_CELL = 0.001 / 600.0
"""A rested cell: less than 1 mV in 10 min (judgement)."""

SLOPE_S = 600.0
SLOPE_LEAST_S = 540.0
"""A slope over less than this says nothing about ten minutes."""


@dataclass(slots=True)
class RestFold:
    """Mean of the last minute and slope of the last ten. ``began_s`` is the first sample; volts at the pack."""

    minute: Tail = field(default_factory=lambda: Tail(60.0))
    slope: Tail = field(default_factory=lambda: Tail(SLOPE_S))
    seconds: float = 0.0
    began_s: float = math.nan

    def push(self, t_s: float, volts: float) -> None:
        """One sample; nan volts count for the time only."""
        self.minute.push(t_s, volts)
        self.slope.push(t_s, volts)
        self.began_s = t_s if math.isnan(self.began_s) else self.began_s
        self.seconds = t_s - self.began_s

    def settled(self, *, cells: int) -> bool | None:
        """Whether the pack's volts moved less than 1 mV per cell in 10 min; ``None`` when the rest was shorter."""
        slope = self.slope.slope_per_s
        if self.seconds < SLOPE_LEAST_S or math.isnan(slope):
            return None
        return abs(slope) < SETTLED_V_PER_S_CELL * cells
