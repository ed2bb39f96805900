"""The fold behind a CC-CV charge: push samples, get charge and energy put in, and how it ended.

It knows nothing of a bench, so it runs as well over a recording or over a trajectory made elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.detectors import ChargeCounter, Taper
from procedures.series import Point, Tail, rises_to, slope_around, slope_of, stretch_at

END_CURRENT = "end current reached"
PACK_OPENED = "pack opened while charging"
NO_CURRENT = "no charging current flowed"

CV_BAND_V = 0.010
PLATEAU_S = 10.0
AROUND_S = 5.0
"""Slopes are taken over this long on each side, or over at least three samples."""


@dataclass(slots=True)
class ChargeFold:
    """Charge and energy put in, and how it ended. ``amps`` positive out of the pack, so negative here.

    ``held_volts`` is what the supply itself reads at its sensed terminals: the quantity it holds. ``hold_s``: how long
    the current must stay at or under ``end_amps``.
    """

    end_amps: float
    period_s: float
    on_s: float = 0.0
    hold_s: float = 10.0
    counter: ChargeCounter = field(init=False)
    taper: Taper = field(init=False)
    plateau: Tail = field(default_factory=lambda: Tail(PLATEAU_S))
    end_reason: str = ""
    temps: list[Point] = field(default_factory=list)
    held: list[Point] = field(default_factory=list)
    taken: list[Point] = field(default_factory=list)
    """Current into the pack, A, positive."""

    def __post_init__(self) -> None:
        self.counter = ChargeCounter(period_s=self.period_s, start_s=self.on_s)
        self.taper = Taper(end_a=self.end_amps, hold_s=self.hold_s)

    @property
    def decided(self) -> bool:
        """True once there is nothing left to wait for; later samples are not taken."""
        return bool(self.end_reason)

    def push(self, t_s: float, amps: float, pack_volts: float, *, held_volts: float, temp_c: float = math.nan) -> None:
        """One sample; volts in V, ``temp_c`` in degC, any of them nan when missing."""
        if self.decided:
            return
        if math.isfinite(temp_c):
            self.temps.append((t_s, temp_c))
        self.counter.push(t_s, amps, pack_volts)
        self.plateau.push(t_s, held_volts)
        if math.isfinite(held_volts):
            self.held.append((t_s, held_volts))
        if math.isfinite(amps):
            self.taken.append((t_s, -amps))
        self.taper.push(t_s, -amps)
        if self.taper.opened:
            self.end_reason = PACK_OPENED
        elif self.taper.no_current:
            self.end_reason = NO_CURRENT
        elif self.taper.done:
            self.end_reason = END_CURRENT

    @property
    def put_in(self) -> tuple[float, float]:
        """Charge (Ah) and energy (Wh) put in, positive, up to the last sample."""
        return -self.counter.charge_ah, -self.counter.energy_wh

    @property
    def cv_start_s(self) -> float:
        """When the held volts came within 10 mV of what they were at the end, by the same reading: the instrument's
        own offset drops out. On the straight line between samples; nan before there are any."""
        return rises_to(self.held, self.plateau.mean - CV_BAND_V)

    @property
    def cv_s(self) -> float:
        """From ``cv_start_s`` to the end current, s; nan when the charge did not end by it, or when a false reading of
        the held volts puts the beginning after the end: no figure is better than one that cannot be."""
        reached = self.taper.reached_s
        if reached is None or self.end_reason != END_CURRENT or not self.cv_start_s <= reached:
            return math.nan
        return reached - self.cv_start_s

    @property
    def around_cv_s(self) -> tuple[float, float]:
        """Time between the samples around the beginning and around the end of ``cv_s``, s."""
        reached = self.taper.reached_s
        return stretch_at(self.held, self.cv_start_s), stretch_at(self.taken, math.nan if reached is None else reached)

    @property
    def rise_v_per_s(self) -> float:
        """Slope of the held volts in the ten seconds before ``cv_start_s``; nan when it began there."""
        start = self.cv_start_s
        before = [p for p in self.held if start - 2 * AROUND_S <= p[0] < start]
        return slope_of(before)

    @property
    def fall_a_per_s(self) -> float:
        """Slope of the current around the end current, negative; nan without it."""
        reached = self.taper.reached_s
        half_s = max(AROUND_S, 1.5 * self.period_s)
        return math.nan if reached is None else slope_around(self.taken, reached, half_s=half_s)
