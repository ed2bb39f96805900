"""The bench's circuit as it is solved now, and what every kind of step on it has in common.

Not modelled: see the modules named here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sims.law import Flows
from sims.load import LoadPort
from sims.motion import Moved
from sims.node import Leads, Solved
from sims.supply import SupplyPort

BENCH_FLOWS = 7
"""Flows that are integrated on a bench without a UPS."""


@dataclass(slots=True)
class Totals:
    """Running integrals: coulombs and joules, out of the pack, out of the supply, into the load and the UPS, at their
    terminals."""

    pack_c: float = 0.0
    pack_j: float = 0.0
    supply_c: float = 0.0
    supply_j: float = 0.0
    load_c: float = 0.0
    load_j: float = 0.0
    leads_j: float = 0.0
    ups_c: float = 0.0
    ups_j: float = 0.0

    def add(self, passed: tuple[float, ...]) -> None:
        """Add one step's worth, in the order of the fields."""
        self.pack_c += passed[0]
        self.pack_j += passed[1]
        self.supply_c += passed[2]
        self.supply_j += passed[3]
        self.load_c += passed[4]
        self.load_j += passed[5]
        self.leads_j += passed[6]
        if len(passed) > BENCH_FLOWS:
            self.ups_c += passed[7]
            self.ups_j += passed[8]


@dataclass(slots=True)
class Step:
    """A step that was tried: the cells (None without a pack), what flows at its end, what passed, what is watched."""

    h_s: float
    moved: Moved | None
    flows: Flows
    figures: list[float]
    passed: tuple[float, ...]


class CircuitSteps:
    """Knows the circuit as it is solved now. Amps as the world has them."""

    def __init__(self, *, supply: SupplyPort | None, load: LoadPort | None, leads: Leads) -> None:
        self.supply, self.load, self.leads = supply, load, leads
        self.longest_s = math.inf
        self.flows = Flows(0.0, 0.0, 0.0, 0.0, 0.0)
        self.solved: Solved

    def solve_bench(self, t_s: float) -> Solved:
        """The circuit as it stands at ``t_s``."""
        raise NotImplementedError

    def use(self, solved: Solved) -> None:
        """Go by ``solved`` from now on."""
        self.solved = solved
        self.flows = self._flows_now()

    def _flows_now(self) -> Flows:
        raise NotImplementedError

    def _solve_circuit(self, t_s: float) -> None:
        supply, before = self.supply, self._supply_volts(self.flows)
        if supply is not None:
            before = supply.capacitor_volts(t_s, before)
        self.use(self.solve_bench(t_s))
        if supply is not None and supply.c_out > 0.0:
            self._coast(supply, before, t_s)
        self._hold_input(t_s)
        if supply is not None:
            name = self.solved.pieces["supply"].name
            supply.mode = name if name != "coasting" else "driven" if supply.output_on else "off"

    def _coast(self, supply: SupplyPort, before: float, t_s: float) -> None:
        """Let the output capacitor hold the volts up while nothing else pulls them down at once."""
        without, to_volts = self.solved, self._supply_volts(self.flows)
        supply.coasting_volts = before
        self.use(self.solve_bench(t_s))
        if not supply.coast(from_volts=before, to_volts=to_volts, amps=self.flows.supply_amps, t_s=t_s):
            self.use(without)

    def _hold_input(self, t_s: float) -> None:
        """Let a UPS's input capacitor hold the volts; without one there is nothing to do."""

    def _supply_volts(self, flows: Flows) -> float:
        return flows.node_volts + flows.supply_amps * self.leads.r_supply

    def _sink_after(self, watts: float, h_s: float, ambient_c: float) -> float | None:
        load = self.load
        if load is None:
            return None
        aim = ambient_c + watts * load.sink_k_per_w
        return aim + (load.sink_temp_c - aim) * math.exp(-h_s / (load.sink_k_per_w * load.sink_j_per_k))

    def _bench_powers(self, flows: Flows, sign: float) -> tuple[float, ...]:
        """What flows on a bench without a UPS, in the order of ``Totals``; ``sign`` is the pack's polarity."""
        leads, (pack_amps, pack_volts, volts, supply, load, _) = self.leads, flows
        return (
            sign * pack_amps,
            pack_amps * pack_volts,
            supply,
            supply * (volts + supply * leads.r_supply),
            load,
            load * (volts - load * leads.r_load),
            pack_amps**2 * leads.r_pack + supply**2 * leads.r_supply + load**2 * leads.r_load,
        )
