"""A condition on a watched figure, and the time it has held without a break.

Not modelled: sampling and resolution of the device that compares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sims.events import Limits


@dataclass(frozen=True, slots=True)
class Condition:
    """A figure above (or below) a level."""

    figure: int
    above: bool
    level: float

    def holds(self, figures: Sequence[float]) -> bool:
        """Is it so now?"""
        value = figures[self.figure]
        return value > self.level if self.above else value < self.level

    def narrow(self, limits: Limits, figures: Sequence[float]) -> None:
        """Watch for the moment at which it begins or ceases to hold."""
        limits.narrow_condition(self.figure, above=self.above, level=self.level, holds=self.holds(figures))


@dataclass(slots=True)
class Hold:
    """Since when something has been so, s; inf while it is not."""

    since_s: float = math.inf

    def note(self, holds: bool, t_s: float) -> None:
        """Begin at ``t_s`` if it holds and has not begun, else forget."""
        self.since_s = min(self.since_s, t_s) if holds else math.inf

    def due_s(self, delay_s: float) -> float:
        """When it will have held for ``delay_s``, s; inf while it does not hold."""
        return self.since_s + delay_s

    def over(self, delay_s: float, t_s: float) -> bool:
        """Has it held for ``delay_s``?"""
        return t_s >= self.due_s(delay_s)
