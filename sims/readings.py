"""What a meter, an ammeter or a thermometer would show anywhere on the simulated bench, without their errors.

Not modelled: integration times, and the instruments themselves (see their own files).
"""

from __future__ import annotations

import math

from sims.law import Flows
from sims.load import LoadPort
from sims.node import Leads
from sims.pack import Pack
from sims.solving import Totals
from sims.supply import SupplyPort
from sims.ups import Ups

SECONDS_PER_HOUR = 3600.0


class Readings:
    """True volts, amps, temperatures and totals of a bench."""

    supply: SupplyPort | None
    load: LoadPort | None
    leads: Leads
    ambient_c: float
    totals: Totals
    _on_node: tuple[Pack | None, Ups | None]

    def _flows(self) -> Flows:
        """What flows on the node now."""
        raise NotImplementedError

    hooked: str
    contactor_closed: bool

    def _pack_volts_aside(self) -> float:
        """Volts at the terminals of a pack that is off the node."""
        raise NotImplementedError

    def _ups_volts(self) -> float:
        """Volts at the UPS's battery terminals, hooked up or not."""
        raise NotImplementedError

    @property
    def pack(self) -> Pack:
        """The pack, hooked up or not. Raises LookupError when there is none."""
        raise NotImplementedError

    @property
    def ups(self) -> Ups | None:
        """The UPS, hooked up or not; None when there is none."""
        raise NotImplementedError

    @property
    def pack_amps(self) -> float:
        """Current out of the pack, A; 0 when none is hooked up."""
        pack = self._on_node[0]
        return 0.0 if pack is None else pack.sign * self._flows().pack_amps

    @property
    def supply_amps(self) -> float:
        """Current the supply sources, A; down to minus its bleed current when it is driven."""
        return self._flows().supply_amps

    @property
    def load_amps(self) -> float:
        """Current the load sinks, A."""
        return self._flows().load_amps

    @property
    def ups_amps(self) -> float:
        """Current into the UPS, A; negative while its charger pushes, 0 when none is hooked up."""
        return self._flows().ups_amps

    @property
    def lead_amps(self) -> float:
        """Current in the lead that hangs the pack (else the UPS) on the node, A; positive out of it."""
        return self.pack_amps if self._on_node[0] is not None else -self.ups_amps

    @property
    def charge_ah(self) -> float:
        """Charge out of the pack so far, Ah."""
        return self.totals.pack_c / SECONDS_PER_HOUR

    @property
    def energy_wh(self) -> float:
        """Energy out of the pack at its terminals so far, Wh."""
        return self.totals.pack_j / SECONDS_PER_HOUR

    def volts_at(self, place: str) -> float:
        """Volts as the bench is wired: "pack", "node", "ups", "supply", "supply_sense", "load" or "load_sense".

        "pack" is the terminals of what is hooked up, on its own side of a contactor: the pack's, else the UPS's. "ups"
        is the UPS's terminals, also when it is left aside. Raises ValueError for another place.
        """
        flows, leads = self._flows(), self.leads
        if place.endswith("_sense"):
            port = self.supply if place == "supply_sense" else self.load
            place = "pack" if port is not None and port.remote_sense else place.removesuffix("_sense")
        if place == "pack":
            return self._lead_volts()
        if place == "node":
            return flows.node_volts
        if place == "ups" and self.ups is not None:
            return self._ups_volts()
        if place == "supply":
            return flows.node_volts + flows.supply_amps * leads.r_supply
        if place == "load":
            return flows.node_volts - flows.load_amps * leads.r_load
        places = "pack, node, ups, supply, supply_sense, load or load_sense"
        raise ValueError(f"world: no volts at {place!r}; ask for {places}")

    def _lead_volts(self) -> float:
        """Volts at the terminals of what is hooked up."""
        if self.contactor_closed or self.hooked == "none":
            return self._flows().pack_volts
        return self._pack_volts_aside() if self.hooked in ("pack", "both") else self._ups_volts()

    def temp_c(self, place: str) -> float:
        """Temperature of "pack" (mean of the cells), "ambient" or "load" (heat sink), degC.

        Raises ValueError for another place.
        """
        if place == "pack":
            each = self.pack.temp_c_each
            return math.fsum(each) / len(each)
        if place == "load":
            return self.ambient_c if self.load is None else self.load.sink_temp_c
        if place == "ambient":
            return self.ambient_c
        raise ValueError(f"world: no temperature of {place!r}; ask for pack, ambient or load")
