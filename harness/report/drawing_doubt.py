"""How doubts are drawn: bands around a line, and margins with their intervals to both sides of nothing."""

from __future__ import annotations

from typing import Any

import numpy as np

from harness.plain import safe_text
from harness.report.look import INK, PAPER, POINTS, RULE, WASH
from harness.report.plots import Curve

MOST = 1.0
"""A margin longer than this share of its limit is drawn cut off, with its number behind it."""

LEAST_BELOW = -0.12
"""How far the axis reaches below 0 at least, so that 0 is seen to be inside."""

SHORT, LEAST_ABOVE = 0.45, 0.15
"""Where no margin is longer than the first, the axis ends behind the longest one, at the second at least."""


def draw_band(axes: Any, curve: Curve) -> None:
    """Grey with a hatch: seen on a copy, and not taken for a line."""
    assert curve.spread is not None
    axes.fill_between(
        curve.x, curve.y - curve.spread, curve.y + curve.spread, facecolor=WASH, edgecolor=RULE, hatch="\\\\\\\\",
        linewidth=0.4,
    )  # fmt: skip


def draw_margins(axes: Any, curve: Curve) -> None:
    """Lying bars from 0 with their names above them; a whisker is the interval: one that crosses 0 decides nothing."""
    spread = np.zeros_like(curve.x) if curve.spread is None else np.nan_to_num(curve.spread)
    shown = np.clip(curve.x, -MOST, MOST)
    axes.barh(curve.y, shown, height=0.34, color=WASH, edgecolor=INK, linewidth=0.7, hatch="////")
    whole = np.abs(curve.x) <= MOST
    axes.errorbar(
        shown[whole], curve.y[whole], xerr=spread[whole], color=INK, fmt="none", elinewidth=1.2, capsize=3.0,
        capthick=1.2,
    )  # fmt: skip
    low = min(LEAST_BELOW, float(np.min(np.where(whole, curve.x - spread, shown))) - 0.05)
    ends = np.where(whole, np.maximum(curve.x + spread, 0.0), MOST)
    for x, end, y, name in zip(curve.x, ends, curve.y, curve.names, strict=True):
        axes.annotate(f"{100 * x:.0f} %", (min(end, MOST), y), (4, 0),
                      textcoords="offset points", va="center", color=INK)  # fmt: skip
        axes.annotate(safe_text(name), (low, y - 0.22), (1, 1), textcoords="offset points", va="bottom", color=INK,
                      size=POINTS - 0.2, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.4})  # fmt: skip
    axes.axvline(0.0, color=INK, linewidth=1.0, zorder=0.9)
    axes.set_ylim(len(curve.y) - 0.55, -0.85)
    axes.set_xlim(low, MOST if np.max(ends) > SHORT else max(LEAST_ABOVE, float(np.max(ends)) + 0.1))
    axes.set_yticks([])
    axes.xaxis.set_major_formatter(lambda x, _: f"{100 * x:.0f}")
