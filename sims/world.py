"""The bench as one circuit: supply, load and pack on their leads, moved through time.

Not modelled: (first cut, being deepened) BMS, heat, the instruments' own stops.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

from sims.load import LoadPort
from sims.pack import Pack
from sims.supply import SupplyPort


@dataclass(frozen=True, slots=True)
class WorldEvent:
    """Something that happened by itself: bench time s and words."""

    t_s: float
    what: str


@dataclass(frozen=True, slots=True)
class Leads:
    """Resistance of each pair of leads from its instrument to where they meet, ohm, both conductors together."""

    r_supply: float = 0.02
    r_load: float = 0.02
    r_pack: float = 0.0


class World:
    """The bench. Time in s, amps > 0 leave the pack, are sourced by the supply, are sunk by the load."""

    def __init__(
        self,
        *,
        pack: Pack,
        supply: SupplyPort | None = None,
        load: LoadPort | None = None,
        leads: Leads = Leads(),  # noqa: B008 - frozen
        ambient_c: float = 25.0,
    ) -> None:
        self.t = 0.0
        self.pack = pack
        self.supply = supply
        self.load = load
        self.leads = leads
        self.ambient_c = ambient_c
        self.events: list[WorldEvent] = []
        self.charge_ah = 0.0
        self.energy_wh = 0.0
        self.changed()

    def _load_at(self, volts: float) -> float:
        p = self.load
        if p is None or not p.input_on or volts <= 0:
            return 0.0
        amps = {
            "cc": p.amps_set,
            "cv": max(0.0, volts - p.volts_set) / 1e-3,
            "cr": volts / p.ohms_set,
            "cp": p.watts_set / volts,
        }[p.function]
        return min(amps, p.amps_max, volts / p.r_min)

    def _supply_at(self, volts: float) -> float:
        p = self.supply
        if p is None:
            return 0.0
        if not p.output_on:
            return -volts / p.r_bleed
        r = 1e-4 if p.remote_sense else p.r_source + self.leads.r_supply
        return max(-p.i_bleed, min(p.amps_set, (p.volts_set - volts) / r))

    def changed(self) -> None:
        """Solve the node anew after a port attribute was set."""
        low, high = -200.0, 200.0
        emf, ohms = self.pack.emf, self.pack.ohms + self.leads.r_pack
        for _ in range(80):
            v = 0.5 * (low + high)
            total = (emf - v) / ohms + self._supply_at(v) - self._load_at(v)
            low, high = (v, high) if total > 0 else (low, v)
        self._node = 0.5 * (low + high)
        sign = -1.0 if self.pack.reversed_ else 1.0
        self.supply_amps = self._supply_at(self._node)
        self.load_amps = self._load_at(self._node)
        self.pack_amps = sign * (self.load_amps - self.supply_amps)
        if self.supply is not None:
            s = self.supply
            s.mode = (
                "off" if not s.output_on
                else "cc" if self.supply_amps >= s.amps_set - 1e-9
                else "driven" if self.supply_amps <= -s.i_bleed + 1e-9
                else "cv"
            )  # fmt: skip

    def advance_to(self, t_s: float) -> None:
        """Integrate to bench time ``t_s``; raises ValueError when that is in the past."""
        if t_s < self.t:
            raise ValueError(f"world: asked to go back from {self.t} s to {t_s} s; time only goes forward")
        while self.t < t_s:
            h = min(1.0, t_s - self.t)
            self.charge_ah += self.pack_amps * h / 3600.0
            self.energy_wh += self.pack_amps * h / 3600.0 * abs(self.volts_at("pack"))
            self.pack.step(self.pack_amps, h)
            self.t = t_s if t_s - self.t <= 1.0 else self.t + h
            self.changed()

    def volts_at(self, place: str) -> float:
        """Volts at "pack", "node", "supply", "supply_sense", "load" or "load_sense"."""
        sign = -1.0 if self.pack.reversed_ else 1.0
        pack = self.pack.emf - sign * self.pack_amps * self.pack.ohms
        supply = self._node + self.supply_amps * self.leads.r_supply
        load = self._node - self.load_amps * self.leads.r_load
        return {
            "pack": pack,
            "node": self._node,
            "supply": supply,
            "supply_sense": pack if self.supply is not None and self.supply.remote_sense else supply,
            "load": load,
            "load_sense": pack if self.load is not None and self.load.remote_sense else load,
        }[place]

    def temp_c(self, place: str) -> float:
        """Temperature of "pack" (mean of the cells), "ambient" or "load" (heat sink), degC."""
        if place == "pack":
            return math.fsum(self.pack.temp_c_each) / len(self.pack.temp_c_each)
        return {"ambient": self.ambient_c, "load": self.ambient_c}[place]

    def copy(self) -> World:
        """An independent bench in the same state."""
        return copy.deepcopy(self)
