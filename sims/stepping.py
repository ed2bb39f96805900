"""One step of the bench: what flows, what is watched, what passed meanwhile.

Not modelled: see the modules named here.
"""

from __future__ import annotations

import math

from sims.cell import ZERO_C_IN_K, Cells
from sims.events import LOAD_SINK, TABLE_NODE, Watch
from sims.law import Flows
from sims.load import LoadPort
from sims.motion import Moved, constant_step, varying_step
from sims.node import Leads, Solved, outside_draw, solve_bench
from sims.pack import Pack
from sims.solving import CircuitSteps, Step
from sims.supply import SupplyPort

LONGEST_STEP_S = 1.0
STEP_SHARE = 0.2
"""Longest step under a varying current as a share of its fastest time constant."""


class Stepper(CircuitSteps):
    """Knows the circuit as it is solved now, and tries steps on it. Amps as the world has them."""

    def __init__(
        self, *, pack: Pack, supply: SupplyPort | None, load: LoadPort | None, leads: Leads
    ) -> None:  # fmt: skip
        super().__init__(supply=supply, load=load, leads=leads)
        self.pack = pack
        self.steady_s = LONGEST_STEP_S
        """Longest step, s; under a varying current it may be shorter."""
        self._pieces: list[tuple[float, float]] = []

    def solve(self, t_s: float) -> None:
        """Solve the node for the ports and cells as they are now."""
        self._solve_circuit(t_s)
        pack = self.pack
        pack.cells.watts = pack.model.heat(pack.cells, self._pack_amps())
        self.longest_s = self.steady_s
        if not self.solved.law.flat:
            self._pieces = pack.model.straight_pieces(pack.cells)
            self.longest_s = min(self.steady_s, STEP_SHARE * pack.model.fastest_s(self.solved.law.stiffness))

    def solve_bench(self, t_s: float) -> Solved:
        """The circuit as it stands at ``t_s``."""
        return solve_bench(self.pack, self.supply, self.load, self.leads)

    def _flows_now(self) -> Flows:
        return self._flows_of(self.pack.cells)

    def _flows_of(self, cells: Cells) -> Flows:
        return self.solved.law.flows(sum(cells.emf), sum(cells.ohms) + self.pack.r_bms)

    def _pack_amps(self) -> float:
        return self.pack.sign * self.flows.pack_amps

    def watches(self) -> tuple[Watch, ...]:
        """What tells that the circuit as solved no longer holds."""
        if self.solved.law.flat:
            return self.solved.watches
        return (*self.solved.watches, (TABLE_NODE, -math.inf, 0.0))

    def outside_amps(self) -> float:
        """What the bench would draw from the cells if the pack's switches were on; 0 when nobody needs to know, A."""
        bms = self.pack.bms
        return 0.0 if bms is None or not bms.awaits_no_load else self._outside_draw()

    def _outside_draw(self) -> float:
        return outside_draw(self.pack, self.supply, self.load, self.leads)

    def attempt(self, h_s: float, ambient_c: float) -> Step:
        """Try a step of ``h_s``; nothing is changed."""
        pack, room_k = self.pack, ambient_c + ZERO_C_IN_K
        if self.solved.law.flat:
            moved = constant_step(pack.model, pack.cells, amps=self._pack_amps(), h_s=h_s, room_k=room_k)
            flows = self._flows_of(moved.cells)
            passed = self._passed(moved, flows, h_s)
        else:
            moved = varying_step(pack.model, pack.cells, flow=self._powers, h_s=h_s, room_k=room_k)
            flows = self._flows_of(moved.cells)
            passed = moved.passed
        figures = self._figures(moved.cells, flows, self._sink_after(passed[5] / h_s, h_s, ambient_c))
        return Step(h_s, moved, flows, figures, passed)

    def take(self, step: Step) -> None:
        """Be as after ``step``."""
        self.flows = step.flows
        if step.moved is not None:
            self.pack.take(step.moved, self._pack_amps())
        if self.load is not None:
            self.load.sink_temp_c = step.figures[LOAD_SINK]

    def figures_now(self) -> list[float]:
        """The watched figures at this instant."""
        return self._figures(self.pack.cells, self.flows, None)

    def _figures(self, cells: Cells, flows: Flows, sink_c: float | None) -> list[float]:
        """The watched figures, in the order of their numbers."""
        pack, supply, load, leads = self.pack, self.supply, self.load, self.leads
        amps, terminal = pack.sign * flows.pack_amps, pack.sign * flows.pack_volts
        volts = [e - amps * r for e, r in zip(cells.emf, cells.ohms, strict=True)]
        supply_volts = flows.node_volts + flows.supply_amps * leads.r_supply
        load_volts = flows.node_volts - flows.load_amps * leads.r_load
        bled_last, bled_next = pack.bleeding(cells, volts)
        return [
            min(volts),
            max(volts),
            amps,
            min(cells.kelvin) - ZERO_C_IN_K,
            max(cells.kelvin) - ZERO_C_IN_K,
            terminal,
            terminal - sum(cells.emf),
            flows.supply_amps,
            supply_volts,
            flows.pack_volts if supply is not None and supply.remote_sense else supply_volts,
            flows.load_amps,
            load_volts,
            flows.pack_volts if load is not None and load.remote_sense else load_volts,
            sink_c if sink_c is not None else 0.0 if load is None else load.sink_temp_c,
            flows.node_volts,
            -1.0 if self.solved.law.flat else pack.model.off_node(cells, self._pieces),
            bled_next,
            bled_last,
        ]

    def _powers(self, cells: Cells, _: float) -> tuple[float, ...]:
        """What flows, in the order of ``Totals``."""
        return self._bench_powers(self._flows_of(cells), self.pack.sign)

    def _volt_s(self, moved: Moved, after: Flows, h_s: float) -> float:
        """Integral of the pack's terminal volts over a step at a constant pack current, V s."""
        pack, before, law = self.pack, self.flows, self.solved.law
        if law.exact_volts():
            return pack.sign * (moved.volt_s - pack.sign * before.pack_amps * pack.r_bms * h_s) + law.shift() * h_s
        return 0.5 * h_s * (before.pack_volts + after.pack_volts)

    def _passed(self, moved: Moved, after: Flows, h_s: float) -> tuple[float, ...]:
        """What passed at a constant pack current, in the order of ``Totals``; the volts' integral is exact."""
        pack, leads, before = self.pack, self.leads, self.flows
        amps, volt_s = before.pack_amps, self._volt_s(moved, after, h_s)
        node_s = volt_s - amps * leads.r_pack * h_s
        supply, load = 0.5 * (before.supply_amps + after.supply_amps), 0.5 * (before.load_amps + after.load_amps)
        return (
            pack.sign * amps * h_s,
            amps * volt_s,
            supply * h_s,
            supply * (node_s + supply * leads.r_supply * h_s),
            load * h_s,
            load * (node_s - load * leads.r_load * h_s),
            (amps**2 * leads.r_pack + supply**2 * leads.r_supply + load**2 * leads.r_load) * h_s,
        )
