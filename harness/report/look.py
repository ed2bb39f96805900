"""How pages and plots look: ink on paper, so that a copier and a colour-blind eye lose nothing.

Nothing is told by colour alone. Each pen has a dash and a mark of its own and a lightness of its own, and its words
stand at its line; what ended a run is told by words in a frame whose stroke differs. Every ink has a contrast of at
least 4.5 to 1 against the paper, as text of any size should have (WCAG 2.2, 1.4.3), and pens at least 3 to 1 (1.4.11).
"""

from __future__ import annotations

from dataclasses import dataclass

PAPER = "#ffffff"
INK = "#16202c"
SOFT = "#4d5866"
RULE = "#b9c1cb"
WASH = "#eef1f4"

FONT = "DejaVu Sans"
"""Of the plots, where letters are drawn as outlines: a page looks the same wherever it is opened."""

WIDTH_IN = 3.6
"""Width of a plot, inches: half an A4 sheet less its margins, and the width of a phone. So letters are the same size
on all of them, and nothing has to be drawn twice."""

POINTS = 7.6
"""Size of the letters in a plot; a tenth less on paper."""


@dataclass(frozen=True, slots=True)
class Pen:
    """One way of drawing a line: ``dash`` in points on and off (empty: solid), ``mark`` a matplotlib marker."""

    ink: str
    dash: tuple[float, ...] = ()
    mark: str = "o"
    width: float = 1.2


VOLTS = Pen("#0d3b66", (), "o")
AMPS = Pen("#b4490c", (5.0, 1.6), "s")
TEMP = Pen("#1d8a7a", (1.2, 1.2), "^")
CHARGE = Pen("#7b4fa3", (6.0, 1.6, 1.2, 1.6), "D")
LIMIT = Pen(SOFT, (2.6, 1.8), "_", 0.8)
FAINT = Pen("#8792a0", (), ".", 0.7)

PENS = (VOLTS, AMPS, TEMP, CHARGE, Pen("#000000", (3.0, 1.0, 1.0, 1.0, 1.0, 1.0), "v"), Pen("#5d6d2f", (9.0, 2.0), "X"))
"""For several curves of one kind, in this order."""

FRAMES = {
    "finished": "solid",
    "stopped": "dashed",
    "tripped": "double",
    "interrupted": "dotted",
    "refused": "dashed",
    "unsafe": "solid",
}
"""Outcome -> stroke of the frame around the sentence; unsafe has a black block of its own besides."""
