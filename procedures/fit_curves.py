"""A pack's discharge curves, and the volts it will have at a charge given and a current of somebody else's choosing.

From two rates on, volts are taken at equal depth, depth being the charge given over the charge given at the end of
that rate's curve, and run in a straight line from rate to rate. So everything that makes a faster discharge lower and
shorter is in it, diffusion too. A single curve can only be moved by a resistance: what limits faster discharges beyond
that is not in it, and the volts it tells for a faster one are too high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

END_VOLTS = "end volts"
OPENED = "pack opened"
"""How a curve ended. One that was broken off says nothing about the depth at which the pack is empty."""

DEPTHS = (0.2, 0.8)
"""Depths between which the steps of volts from rate to rate tell a resistance (judgement: clear of both ends)."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A discharge at constant ``amps`` from full: ``volts`` (V, pack terminals) over ``charge_ah`` (Ah from full).

    ``temp_c``: the pack at its start, nan when nobody looked. Raises ValueError for columns that are no curve.
    """

    run: str
    amps: float
    charge_ah: Floats
    volts: Floats
    end: str = END_VOLTS
    temp_c: float = math.nan

    def __post_init__(self) -> None:
        made = len(self.charge_ah) == len(self.volts) >= 2 and self.amps > 0
        if not (made and bool(np.all(np.diff(self.charge_ah) > 0)) and bool(np.all(np.isfinite(self.volts)))):
            raise ValueError(f"{self.run}: no discharge curve: 2 points or more, charge rising, volts finite, amps > 0")

    @property
    def whole(self) -> bool:
        """Whether it ended because the pack was empty."""
        return self.end in (END_VOLTS, OPENED)

    @property
    def end_ah(self) -> float:
        """Charge given at its end, Ah."""
        return float(self.charge_ah[-1])

    @property
    def end_v(self) -> float:
        """Volts at its end, V."""
        return float(self.volts[-1])

    def at(self, depth: Floats) -> Floats:
        """Volts at ``depth`` (1 at the end); past the end on along the last slope, so that an end can be found."""
        q = depth * self.end_ah
        inside = np.interp(q, self.charge_ah, self.volts)
        (q0, q1), (v0, v1) = self.charge_ah[-2:].tolist(), self.volts[-2:].tolist()
        past = q > q1
        if not past.any():
            return inside
        return np.where(past, v1 + min((v1 - v0) / (q1 - q0), 0.0) * (q - q1), inside)


def thinned(charge_ah: Floats, volts: Floats, *, points: int = 400) -> tuple[Floats, Floats]:
    """Means of neighbouring rows, about ``points`` of them, with first and last row kept; takes noise out."""
    if len(charge_ah) <= 2 * points:
        return charge_ah, volts
    edges = np.linspace(1, len(charge_ah) - 1, points + 1).astype(int)
    sizes = np.diff(edges)

    def means(column: Floats) -> Floats:
        middle = np.add.reduceat(column[: edges[-1]], edges[:-1]) / sizes
        return np.concatenate([column[:1], middle, column[-1:]])

    return means(charge_ah), means(volts)


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """Curves of one pack by rising current, no two at the same. ``ohm`` moves a single curve and is not used else.

    Raises ValueError without curves, or with curves that are not in order.
    """

    curves: tuple[Curve, ...]
    ohm: float = math.nan

    def __post_init__(self) -> None:
        amps = [curve.amps for curve in self.curves]
        if not amps or any(not a < b for a, b in pairwise(amps)):
            raise ValueError(f"curves at {amps} A: wanted one or more by rising current")

    @property
    def least_amps(self) -> float:
        return self.curves[0].amps

    @property
    def most_amps(self) -> float:
        return self.curves[-1].amps

    def _weights(self, amps: Floats) -> tuple[NDArray[np.intp], Floats]:
        """The lower neighbour of each current and the way to the upper one; beyond 0..1 outside the rates measured."""
        rates = np.array([curve.amps for curve in self.curves])
        if len(rates) == 2:
            return np.zeros(len(amps), dtype=np.intp), (amps - rates[0]) / (rates[1] - rates[0])
        below = np.clip(np.searchsorted(rates, amps) - 1, 0, len(rates) - 2)
        return below, (amps - rates[below]) / (rates[below + 1] - rates[below])

    def end_ah(self, amps: Floats) -> Floats:
        """Charge given at the end of a discharge at ``amps``, Ah."""
        ends = np.array([curve.end_ah for curve in self.curves])
        if len(ends) == 1:
            return np.full_like(amps, ends[0])
        below, way = self._weights(amps)
        return np.maximum(ends[below] * (1 - way) + ends[below + 1] * way, 1e-9)

    def volts(self, charge_ah: Floats, amps: Floats) -> Floats:
        """Pack volts with ``charge_ah`` given and ``amps`` flowing, V; falls with either."""
        if len(self.curves) == 1:
            curve = self.curves[0]
            return curve.at(charge_ah / curve.end_ah) + (curve.amps - amps) * self.ohm
        if len(self.curves) == 2:  # by far the most there is, and asked for often
            slow, fast = self.curves
            way = (amps - slow.amps) / (fast.amps - slow.amps)
            depth = charge_ah / np.maximum(slow.end_ah * (1 - way) + fast.end_ah * way, 1e-9)
            return slow.at(depth) * (1 - way) + fast.at(depth) * way
        depth = charge_ah / self.end_ah(amps)
        table = np.array([curve.at(depth) for curve in self.curves])
        below, way = self._weights(amps)
        each = np.arange(len(depth))
        return np.asarray(table[below, each] * (1 - way) + table[below + 1, each] * way)

    def resistance(self) -> tuple[float, float]:
        """Resistance (ohm) and its scatter, from the slowest two curves at equal depth: what acts over minutes.

        ``(nan, nan)`` with a single curve.
        """
        if len(self.curves) == 1:
            return math.nan, math.nan
        slow, fast = self.curves[:2]
        depth = np.linspace(*DEPTHS, 61)
        ohms = (slow.at(depth) - fast.at(depth)) / (fast.amps - slow.amps)
        return float(np.median(ohms)), float(np.std(ohms))

    def moved(self, *, volts: float = 0.0, scale: float = 1.0, ohm: float = 0.0) -> Family:
        """The family had ``volts`` been read higher (V), every current and charge ``scale`` times, ``ohm`` greater."""
        curves = (
            replace(c, amps=c.amps * scale, charge_ah=c.charge_ah * scale, volts=c.volts + volts) for c in self.curves
        )
        return Family(tuple(curves), self.ohm + ohm)

    def held_back(self) -> Family:
        """The fastest curve alone, as if a greater current lowered nothing more: a faster discharge ends earlier."""
        return Family((self.curves[-1],), 0.0)

    def slowest(self) -> Family:
        """The slowest curve alone, as if a smaller current raised nothing: a slower discharge lasts longer."""
        return Family((self.curves[0],), 0.0)
