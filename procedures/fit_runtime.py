"""How long a pack carries a constant power down to a UPS's floor: the time is the integral of charge over current.

At each charge given the volts at the UPS are the upper root of u = V(charge, P/u) - R_leads P/u; charge over nominal
volts, or energy over power, would leave out that the current rises as the volts fall.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from procedures.fit_curves import Family, Floats

POINTS = 400
RUNGS = 16
TURNS = 7
FINER = 100
END_TIGHT = 1e-6
END_DEPTH = 1e-4
REACHES_END_V = 0.005
"""A floor this close (V) to the curves' own end counts as reached by them."""


@dataclass(frozen=True, slots=True)
class Carried:
    """What is predicted: time (s), charge (Ah) and energy at the UPS (Wh) until the floor, and the currents (A).

    ``at_floor``: it ended on the floor. Else the curves ended above it, and all three are lower bounds.
    """

    seconds: float
    charge_ah: float
    energy_wh: float
    first_amps: float
    last_amps: float
    at_floor: bool


NOTHING = Carried(0.0, 0.0, 0.0, 0.0, 0.0, at_floor=True)


def carried(family: Family, *, watts: float, floor_v: float, lead_ohm: float, from_ah: float) -> Carried:
    """``watts`` (W, into the UPS's battery side) from ``from_ah`` (Ah below full) down to ``floor_v`` (V at the UPS).

    ``lead_ohm`` lies between pack and UPS. Raises ValueError for arguments that are not finite or not positive.
    """
    if not (0 < watts < np.inf and 0 < floor_v < np.inf and 0 <= lead_ohm < np.inf and 0 <= from_ah < np.inf):
        raise ValueError(f"runtime: {watts=}, {floor_v=}, {lead_ohm=}, {from_ah=}: wanted finite and positive")
    most = max(curve.end_ah for curve in family.curves)
    if not from_ah < most:
        return NOTHING
    return _carried(family, watts, floor_v, lead_ohm, from_ah, most)


@functools.lru_cache(maxsize=512)
def _carried(family: Family, watts: float, floor_v: float, lead_ohm: float, from_ah: float, most: float) -> Carried:
    # A verdict asks for the same load again and again, and most of its doubts move something else.
    # Curves are steep at both ends: points lie close together there, and closer yet around the end itself.
    charge = from_ah + (most - from_ah) * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, POINTS)))
    table = _Table(family, watts, floor_v, lead_ohm)
    amps = table.amps(charge)
    stop = table.stop(charge, amps)
    if stop == 0:
        return NOTHING
    good, flowing = charge[:stop], amps[:stop]
    while stop < len(charge) and good[-1] < charge[stop] * (1.0 - END_TIGHT):
        charge = np.linspace(good[-1], charge[stop], FINER)
        amps = table.amps(charge)
        stop = table.stop(charge, amps)
        good, flowing = np.concatenate([good, charge[1:stop]]), np.concatenate([flowing, amps[1:stop]])
    return table.until(good, flowing)


def course(family: Family, charge_ah: Floats, *, watts: float, floor_v: float, lead_ohm: float) -> Floats:
    """Amps at each of ``charge_ah`` (Ah below full) on the way that ``carried`` integrates; nan below the floor."""
    return _Table(family, watts, floor_v, lead_ohm).amps(charge_ah)


@dataclass(frozen=True, slots=True)
class _Table:
    family: Family
    watts: float
    floor_v: float
    lead_ohm: float

    def _asked(self, charge: Floats, amps: Floats) -> Floats:
        """Power at the UPS (W) that ``amps`` bring, one current a charge, less what is wanted."""
        return amps * (self.family.volts(charge, amps) - self.lead_ohm * amps) - self.watts

    def amps(self, charge: Floats) -> Floats:
        """The least current at which the power is had, at or above the floor; nan where there is none."""
        highest = 2.0 * max(float(curve.volts.max()) for curve in self.family.curves)
        ladder = np.linspace(self.watts / highest, self.watts / self.floor_v, RUNGS)
        grid = np.repeat(ladder[None, :], len(charge), axis=0)
        over = self._asked(np.repeat(charge, RUNGS), grid.ravel()).reshape(grid.shape)
        enough = over >= 0.0
        first = np.argmax(enough, axis=1)
        each = np.arange(len(charge))
        below = np.maximum(first - 1, 0)
        low, high = ladder[below], ladder[first]
        over_low, over_high = over[each, below], over[each, first]
        found = high
        # Between two rungs power over current is nearly straight: false position, the idle end's weight halved.
        for _ in range(TURNS):
            span = np.where(over_high > over_low, over_high - over_low, 1.0)
            found = np.clip(low - over_low * (high - low) / span, low, high)
            now = self._asked(charge, found)
            up = now >= 0.0
            over_low, over_high = np.where(up, 0.5 * over_low, now), np.where(up, now, 0.5 * over_high)
            low, high = np.where(up, low, found), np.where(up, found, high)
        return np.where(np.any(enough, axis=1), found, np.nan)

    def stop(self, charge: Floats, amps: Floats) -> int:
        """Index of the first charge at which the floor or the curves' end is behind; the length if there is none."""
        behind = np.isnan(amps) | ~(charge <= self.family.end_ah(np.nan_to_num(amps)) * (1.0 + 1e-12))
        return int(np.argmax(behind)) if bool(np.any(behind)) else len(charge)

    def until(self, charge: Floats, amps: Floats) -> Carried:
        """The whole of ``charge`` is still good."""
        seconds = float(np.sum(np.diff(charge) * 0.5 * (1.0 / amps[1:] + 1.0 / amps[:-1])) * 3600.0)
        last_v = self.watts / float(amps[-1])
        empty = float(charge[-1] / self.family.end_ah(amps[-1:])[0]) >= 1.0 - END_DEPTH
        return Carried(
            seconds=seconds,
            charge_ah=float(charge[-1] - charge[0]),
            energy_wh=self.watts * seconds / 3600.0,
            first_amps=float(amps[0]),
            last_amps=float(amps[-1]),
            at_floor=not empty or last_v <= self.floor_v + REACHES_END_V,
        )
