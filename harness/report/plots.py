"""Plots as plain data, and the one place that draws them.

A ``Picture`` says what is to be seen and holds the numbers behind it; ``draw`` makes an SVG of it and ``save_data`` a
CSV beside the run, so that anybody can draw it again. Who makes pictures never meets the drawing library.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.durable import replace_file
from harness.report.look import LIMIT, VOLTS, Pen
from harness.samplefile import LINE_END, csv_field

Numbers = NDArray[np.float64]
Cell = str | float | bool | None
Kind = Literal["line", "steps", "points", "bars", "band", "margins"]

MOST_POINTS = 1600
"""Of one curve; more than this many are thinned out so that no peak is lost."""

_BUCKETS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """``words`` stand at its end. ``spread``: half the width of the interval of each point, where there is one.

    Of kind "bars" ``y`` are places from the top and ``x`` lengths; ``names`` stands above each bar. Of kind "margins"
    the same, to both sides of 0 and with ``spread``. Of kind "band" only what lies within ``spread`` is drawn.
    """

    x: Numbers
    y: Numbers
    words: str = ""
    pen: Pen = VOLTS
    kind: Kind = "line"
    spread: Numbers | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A level across the panel, or with ``half`` a band of that half width: an uncertain one."""

    y: float
    words: str
    half: float = 0.0
    pen: Pen = LIMIT


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A time, or another place along x, at which something happened; its words stand before it, or ``after``."""

    x: float
    words: str
    pen: Pen = LIMIT
    after: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """From where to where along x something lasted; ``hatched`` where nobody looked, not ``shaded``: words only."""

    begin: float
    end: float
    words: str = ""
    hatched: bool = False
    shaded: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One pair of axes. ``y_words`` and ``x_words`` hold quantity and unit: "volts, V". ``share``: how high it is
    beside the other panels of its picture."""

    y_words: str
    x_words: str = ""
    curves: tuple[Curve, ...] = ()
    levels: tuple[Level, ...] = ()
    moments: tuple[Moment, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    from_zero: bool = False
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One plot. ``name`` is that of its files; ``words`` tell somebody who cannot see it what is to be seen.

    ``columns``: the numbers behind it, names ending in their units; all of one length. ``height_in``: inches.
    """

    name: str
    title: str
    words: str
    panels: tuple[Panel, ...]
    columns: Mapping[str, Sequence[Cell] | Numbers]
    height_in: float = 2.3
    note: str = ""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as a page shows it: ``source`` is a data URI, ``data`` where its numbers are, from the page."""

    picture: Picture
    source: str
    data: str = ""


@dataclass(slots=True)
class Thinned:
    """Rows kept of a long record: of each of some hundred slices the least and the greatest of every column, so that
    no peak is lost. ``rows`` are their numbers, ascending."""

    rows: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))

    @classmethod
    def of(cls, *columns: Numbers, most: int = MOST_POINTS) -> Thinned:
        """What to keep of columns of one length; all rows where they are few."""
        count = len(columns[0]) if columns else 0
        if count <= most:
            return cls(np.arange(count))
        edges = np.linspace(0, count, max(2, min(_BUCKETS, most // (2 * len(columns)))) + 1).astype(np.intp)
        kept = [np.array([0, count - 1], dtype=np.intp)]
        for column in columns:
            # What is missing is neither the least nor the greatest.
            low, high = np.where(np.isnan(column), math.inf, column), np.where(np.isnan(column), -math.inf, column)
            found = [(a + low[a:b].argmin(), a + high[a:b].argmax()) for a, b in pairwise(edges)]
            kept.append(np.array(found, dtype=np.intp).ravel())
        return cls(np.unique(np.concatenate(kept)))


def broken(x: Numbers, *columns: Numbers, holes: Sequence[tuple[float, float]]) -> list[Numbers]:
    """The same columns with nothing in the middle of each of ``holes`` (from, to, in ``x``): no line leads across
    what nobody saw."""
    after = np.searchsorted(x, [0.5 * (begin + end) for begin, end in holes])
    return [np.insert(column, after, np.nan) for column in (x, *columns)]


def drawn(picture: Picture, *, simulated: bool, data: str = "") -> Drawn:
    """Draw it, to be shown as an image: what stands in an image can neither run nor reach anything."""
    from harness.report.drawing import svg  # heavy: only where something is drawn

    coded = base64.b64encode(svg(picture, simulated=simulated)).decode()
    return Drawn(picture, f"data:image/svg+xml;base64,{coded}", data)


def save_data(picture: Picture, folder: Path, *, simulated: bool) -> Path:
    """The numbers of a picture as ``folder/NAME.csv`` (RFC 4180, header with units); raises ``RecordFailed``."""
    columns = {name: _plain(column) for name, column in picture.columns.items()}
    rows = max(map(len, columns.values()), default=0)
    if simulated:
        columns["simulated"] = [True] * rows
    if any(len(column) != rows for column in columns.values()):
        raise ValueError(f"{picture.name}: columns of different lengths: {', '.join(columns)}")
    lines = [list(columns), *zip(*columns.values(), strict=True)]
    place = folder / f"{picture.name}.csv"
    replace_file(place, b"".join(b",".join(map(csv_field, line)) + LINE_END for line in lines))
    return place


def _plain(column: Sequence[Cell] | Numbers) -> list[Cell]:
    return column.tolist() if isinstance(column, np.ndarray) else list(column)


__all__ = [
    "Curve",
    "Drawn",
    "Level",
    "Moment",
    "Numbers",
    "Panel",
    "Picture",
    "Stretch",
    "Thinned",
    "broken",
    "drawn",
    "save_data",
]
