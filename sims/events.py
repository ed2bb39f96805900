"""What the bench watches while it moves through time, the limits each figure may not leave unseen, and root finding.

A step is tried whole; when a watched figure leaves its limits somewhere inside, the first moment at which one is
outside is bracketed to less than a microsecond and the step is cut there.

Not modelled: a figure that leaves its limits and comes back inside one step (a second at most) is not seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

FOUND_WITHIN_S: Final = 2e-7
"""Width of the bracket around an event, s."""

CELL_MIN: Final = 0
CELL_MAX: Final = 1
PACK_AMPS: Final = 2
TEMP_MIN: Final = 3
TEMP_MAX: Final = 4
PACK_VOLTS: Final = 5
PACK_OVER: Final = 6
"""Volts at the pack's terminals less the sum of its cells at no current: > 0 when something charges."""
SUPPLY_AMPS: Final = 7
SUPPLY_VOLTS: Final = 8
SUPPLY_SENSE: Final = 9
LOAD_AMPS: Final = 10
LOAD_VOLTS: Final = 11
LOAD_SENSE: Final = 12
LOAD_SINK: Final = 13
NODE_VOLTS: Final = 14
TABLE_NODE: Final = 15
"""> 0 once a cell has left the straight piece of its tables that it was on."""
BLEED_NEXT: Final = 16
"""Highest cell that is not being bled by the balancer, V."""
BLEED_LAST: Final = 17
"""Lowest cell that is being bled, V."""
FIGURES: Final = 18
"""Without a UPS on the bench."""
UPS_FILTERED: Final = 18
"""Volts at the UPS's battery terminals as its own control sees them, V."""
UPS_AMPS: Final = 19
"""Into the UPS, A; negative while it charges."""
UPS_ROOM: Final = 20
"""Volts up to the end of the charger's constant current, V."""
FIGURES_WITH_UPS: Final = 21

Watch = tuple[int, float, float]
"""A figure and the lowest and highest value at which what was assumed still holds."""


class Limits:
    """The lowest and highest value of each watched figure."""

    __slots__ = ("high", "low")

    def __init__(self, count: int = FIGURES) -> None:
        self.low = [-math.inf] * count
        self.high = [math.inf] * count

    def narrow(self, figure: int, low: float, high: float) -> None:
        """Keep ``figure`` within ``low`` and ``high`` too."""
        self.low[figure] = max(self.low[figure], low)
        self.high[figure] = min(self.high[figure], high)

    def narrow_condition(self, figure: int, *, above: bool, level: float, holds: bool) -> None:
        """Keep ``figure`` on the side of ``level`` on which the condition stays as it is."""
        if above == holds:
            self.narrow(figure, level, math.inf)
        else:
            self.narrow(figure, -math.inf, level)

    def take_in(self, figures: Sequence[float]) -> None:
        """Widen so that ``figures`` are inside: what was just solved holds, whatever rounding says."""
        self.low = [min(a, b) for a, b in zip(self.low, figures, strict=True)]
        self.high = [max(a, b) for a, b in zip(self.high, figures, strict=True)]

    def left(self, figures: Sequence[float]) -> bool:
        """Is one of them outside?"""
        for value, low, high in zip(figures, self.low, self.high, strict=True):  # noqa: SIM110 - twice as fast
            if value < low or value > high:
                return True
        return False

    def excess(self, figures: Sequence[float]) -> float:
        """How far the worst of them is outside; negative inside. Units are mixed: only the sign has a meaning."""
        return max(max(v - high, low - v) for v, low, high in zip(figures, self.low, self.high, strict=True))


def first_positive(
    excess: Callable[[float], float], *, at: float, excess_at: float, excess_at_0: float, within: float
) -> float:
    """Bracket the change of sign of ``excess`` between 0 and ``at`` to ``within``; return its positive side.

    ``excess_at`` is excess(at) > 0, ``excess_at_0`` that at 0, where ``excess`` is never asked. Secant steps with the
    stale side halved (the Illinois rule, from memory); plain halving when two of them did not halve the bracket.
    """
    low, high = 0.0, at
    at_low, at_high = excess_at_0, excess_at
    if at_low > 0.0:
        return 0.0
    side, before_last, last = 0, math.inf, math.inf
    while high - low > within:
        width, middle = high - low, 0.5 * (low + high)
        if width <= 0.5 * before_last or math.isinf(before_last):
            middle = high - at_high * width / (at_high - at_low)
            middle = min(max(middle, low + 0.4 * within), high - 0.4 * within)
        before_last, last = last, width
        value = excess(middle)
        if value > 0.0:
            high, at_high = middle, value
            at_low *= 0.5 if side > 0 else 1.0
            side = 1
        else:
            low, at_low = middle, value
            at_high *= 0.5 if side < 0 else 1.0
            side = -1
    return high
