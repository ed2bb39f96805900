"""The grid of a set-point that is cut and not rounded: what lies between two steps falls to the lower one.

Not modelled: grids that differ with the range.
"""

from __future__ import annotations

import math

CUT_SLACK = 1e-6
"""Share of a step by which a decimal text may miss its own step in binary: 11.4 V must not become 11.39 V."""


def cut(value: float, *, step: float) -> float:
    """The step at or below ``value``; without a step (0) the value itself."""
    return math.floor(value / step + CUT_SLACK) * step if step else value
