"""The one file that knows matplotlib: a ``Picture`` becomes an SVG, the same bytes for the same picture.

No frame around the axes, what the y axis shows stands above it and not on its side, no box of keys: every line has its
words at its end. Letters are outlines, since a page is read where our font is not installed.
"""

from __future__ import annotations

import io
import logging
import math
from itertools import pairwise
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from harness.plain import safe_text
from harness.report.drawing_doubt import draw_band, draw_margins
from harness.report.look import FONT, INK, PAPER, POINTS, RULE, SOFT, WASH, WIDTH_IN, Pen
from harness.report.plots import Curve, Level, Moment, Panel, Picture, Stretch

SETTINGS: Any = {
    "svg.fonttype": "path",
    "svg.hashsalt": "nightbench",
    "font.family": [FONT],
    "font.size": POINTS,
    "axes.linewidth": 0.6,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": SOFT,
    "axes.unicode_minus": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "hatch.color": RULE,
    "path.simplify": True,
    # A pack may be called "$x$": nothing in a name is a formula.
    "text.parse_math": False,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.useoffset": False,
}

LEFT_IN, RIGHT_IN, TOP_IN, BOTTOM_IN, BETWEEN_IN = 0.46, 0.62, 0.24, 0.36, 0.3
STRIP_IN = 0.13
APART_PT = 8.5
"""Least distance of two words at the right edge, points."""


def svg(picture: Picture, *, simulated: bool) -> bytes:
    """The picture as an SVG document."""
    # What it would say about its own cache of fonts is nothing to a person who waits for a report.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with mpl.rc_context():
        mpl.rcdefaults()  # nobody's own settings: these may even run programs
        mpl.rcParams.update(SETTINGS)
        figure = Figure(figsize=(WIDTH_IN, picture.height_in), facecolor=PAPER)
        for index, panel in enumerate(picture.panels):
            axes = figure.add_axes(_place(picture, index))
            _panel(axes, panel, last=index == len(picture.panels) - 1 or bool(panel.x_words))
        if simulated:
            figure.text(
                0.995, 1 - 0.02 / picture.height_in, "SIMULATED", ha="right", va="top", size=POINTS - 1, weight="bold",
                color=INK,
            )  # fmt: skip
        out = io.BytesIO()
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(out, metadata={"Date": None, "Creator": "nightbench", "Title": picture.name})
    return out.getvalue()


def _place(picture: Picture, index: int) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of one panel, as shares of the figure."""
    panels = picture.panels
    shares = [panel.share for panel in panels]
    above = [STRIP_IN if _strip(panel) else 0.0 for panel in panels]
    # A panel above another needs room under it only where its own x axis has words.
    below = [BETWEEN_IN + (0.3 if panel.x_words else 0.0) for panel in panels[:-1]]
    room = picture.height_in - TOP_IN - BOTTOM_IN - sum(above) - sum(below)
    each = room * shares[index] / sum(shares)
    taken = TOP_IN + sum(above[: index + 1]) + sum(below[:index]) + room * sum(shares[:index]) / sum(shares)
    left, right = (0.1, 0.44) if _bars(panels[index]) else (LEFT_IN, RIGHT_IN)
    return (
        left / WIDTH_IN,
        (picture.height_in - taken - each) / picture.height_in,
        (WIDTH_IN - left - right) / WIDTH_IN,
        each / picture.height_in,
    )


def _strip(panel: Panel) -> bool:
    """Whether there are words of stretches over it."""
    return any(stretch.words for stretch in panel.stretches)


def _bars(panel: Panel) -> bool:
    return any(curve.kind in ("bars", "margins") for curve in panel.curves)


def _panel(axes: Any, panel: Panel, *, last: bool) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right", *(["left"] if _bars(panel) else [])):
        axes.spines[side].set_visible(False)
    if not _bars(panel):
        axes.grid(axis="y", color=WASH, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_title(safe_text(panel.y_words), loc="left", size=POINTS, color=INK, pad=12 if _strip(panel) else 3)
    if panel.x_words:
        axes.set_xlabel(safe_text(panel.x_words), loc="right", labelpad=1.5)
    if not last:
        axes.tick_params(labelbottom=False)
    lines = all(curve.kind in ("line", "steps", "band") for curve in panel.curves)
    axes.margins(x=0.0 if lines else 0.06, y=0.05 if lines else 0.12)
    for curve in panel.curves:
        _curve(axes, curve)
    if panel.from_zero:
        axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    _widen(axes, panel)
    for stretch in panel.stretches:
        _stretch(axes, stretch)
    for moment in panel.moments:
        _moment(axes, moment)
    _words_at_right(axes, panel)


def _moment(axes: Any, moment: Moment) -> None:
    axes.axvline(moment.x, color=moment.pen.ink, linewidth=0.8, dashes=_dashes(moment.pen))
    axes.annotate(
        safe_text(moment.words), (moment.x, 1.0), (2.5 if moment.after else -2.5, -2),
        xycoords=axes.get_xaxis_transform(), textcoords="offset points", rotation=90,
        ha="left" if moment.after else "right", va="top", size=POINTS - 1, color=INK,
        bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.7, "pad": 0.2},
    )  # fmt: skip


def _curve(axes: Any, curve: Curve) -> None:
    pen = curve.pen
    if curve.kind == "bars":
        return _draw_bars(axes, curve)
    if curve.kind == "margins":
        return draw_margins(axes, curve)
    if curve.kind == "band":
        return draw_band(axes, curve)
    if curve.spread is not None:
        axes.errorbar(
            curve.x, curve.y, yerr=curve.spread, color=pen.ink, fmt="none", elinewidth=0.9, capsize=2.2, capthick=0.9
        )
    if curve.kind == "points":
        how = {"markersize": 2.0 if pen.mark == "." else 3.6, "markerfacecolor": PAPER, "markeredgewidth": 0.9}
        axes.plot(curve.x, curve.y, pen.mark, color=pen.ink, **how)
        return None
    stairs = "steps-post" if curve.kind == "steps" else "default"
    axes.plot(curve.x, curve.y, color=pen.ink, linewidth=pen.width, drawstyle=stairs, dashes=_dashes(pen))
    return None


def _draw_bars(axes: Any, curve: Curve) -> None:
    """Lying bars with their names above them: names of any length, also on a phone."""
    axes.barh(curve.y, curve.x, height=0.36, color=WASH, edgecolor=INK, linewidth=0.7, hatch="////")
    for x, y, name in zip(curve.x, curve.y, curve.names, strict=True):
        axes.annotate(safe_text(name), (0, y - 0.24), (1, 1), textcoords="offset points", va="bottom", color=INK)
        axes.annotate(
            f"{100 * x:.0f} %" if x >= 0.01 else "under 1 %",
            (x, y),
            (3, 0),
            textcoords="offset points",
            va="center",
            color=INK,
        )
    axes.set_ylim(len(curve.y) - 0.55, -0.85)
    axes.set_xlim(0, 1.0)
    axes.set_yticks([])
    axes.xaxis.set_major_formatter(lambda x, _: f"{100 * x:.0f}")


def _dashes(pen: Pen) -> tuple[float, ...] | tuple[None, None]:
    return pen.dash or (None, None)


def _widen(axes: Any, panel: Panel) -> None:
    """A level is worth being seen where it lies near the curves; far off it would only flatten them."""
    if not panel.levels or _bars(panel):
        return
    low, high = axes.get_ylim()
    span = high - low
    near = [one for one in panel.levels if low - 0.35 * span <= one.y <= high + 0.35 * span]
    if not near:
        return
    near.sort(key=lambda one: one.y)
    low, high = min(low, near[0].y - near[0].half), max(high, near[-1].y + near[-1].half)
    # Words stand over their level, but under it where another one is just above.
    per_point = (high - low) / (axes.get_position().height * axes.figure.get_figheight() * 72 - 2 * APART_PT)
    close = [upper.y - lower.y < 1.3 * APART_PT * per_point for lower, upper in pairwise(near)]
    under = [*close, False]
    axes.set_ylim(
        min(low, near[0].y - (APART_PT * per_point if under[0] else 0.0)),
        max(high, near[-1].y + APART_PT * per_point),
    )
    for level, below in zip(near, under, strict=True):
        _level(axes, level, below=below)


def _level(axes: Any, level: Level, *, below: bool) -> None:
    if level.half > 0:
        axes.axhspan(
            level.y - level.half, level.y + level.half, facecolor=RULE, edgecolor=SOFT, hatch="\\\\\\\\",
            linewidth=0.0, alpha=0.35,
        )  # fmt: skip
    axes.axhline(level.y, color=level.pen.ink, linewidth=level.pen.width, dashes=_dashes(level.pen))
    axes.annotate(
        safe_text(level.words), (0.0, level.y), (3, -1.5 if below else 1.5), xycoords=axes.get_yaxis_transform(),
        textcoords="offset points", va="top" if below else "bottom", size=POINTS - 0.6, color=INK,
        bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.7, "pad": 0.2},
    )  # fmt: skip


def _stretch(axes: Any, stretch: Stretch) -> None:
    if stretch.hatched:
        axes.axvspan(stretch.begin, stretch.end, facecolor="none", edgecolor=SOFT, hatch="xxxx", linewidth=0.4)
    elif stretch.shaded:
        axes.axvspan(stretch.begin, stretch.end, facecolor=WASH, edgecolor="none", zorder=0.5)
    low, high = axes.get_xlim()
    letters = 0.6 * POINTS / 72 * len(stretch.words)
    room = (stretch.end - stretch.begin) / (high - low) * (WIDTH_IN - LEFT_IN - RIGHT_IN) if high > low else 0.0
    if not stretch.words or room < letters:
        return  # words that do not fit would be read as those of the next one
    axes.annotate(
        safe_text(stretch.words), (0.5 * (stretch.begin + stretch.end), 1.0), (0, 2),
        xycoords=axes.get_xaxis_transform(), textcoords="offset points", ha="center", va="bottom", size=POINTS - 1,
        color=SOFT,
    )  # fmt: skip


def _words_at_right(axes: Any, panel: Panel) -> None:
    """The words of each curve at the height of its last point, pushed apart where they would cover each other."""
    told = [(end, curve) for curve in panel.curves if curve.words and (end := _end(curve)) is not None]
    if not told:
        return
    low, high = axes.get_ylim()
    points = axes.get_position().height * axes.figure.get_figheight() * 72
    per_point = (high - low) / points
    told.sort(key=lambda one: one[0][1])
    place, floor = [], -math.inf
    for (_, y), _ in told:
        floor = max(min(max(y, low), high), floor + APART_PT * per_point)
        place.append(floor)
    over = place[-1] - max(high, told[-1][0][1])
    if over > 0:
        place = [one - over for one in place]
    for at, ((x, _), curve) in zip(place, told, strict=True):
        right = x >= axes.get_xlim()[0] + 0.7 * (axes.get_xlim()[1] - axes.get_xlim()[0])
        axes.annotate(
            safe_text(curve.words), (1.0, at) if right else (x, at), (3, 0),
            xycoords=axes.get_yaxis_transform() if right else "data", textcoords="offset points", va="center",
            color=curve.pen.ink, annotation_clip=False,
        )  # fmt: skip


def _end(curve: Curve) -> tuple[float, float] | None:
    good = np.flatnonzero(np.isfinite(curve.x) & np.isfinite(curve.y))
    if not len(good) or curve.kind in ("bars", "margins"):
        return None
    return float(curve.x[good[-1]]), float(curve.y[good[-1]])


__all__ = ["svg"]
