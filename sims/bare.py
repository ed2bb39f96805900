"""Steps of a bench without a pack on the node: everything stands still between events, or follows a straight ramp.

So a step may be as long as nothing happens, and a night costs seconds.

Not modelled: see the modules named here.
"""

from __future__ import annotations

import math

from sims.events import (
    FIGURES,
    LOAD_AMPS,
    LOAD_SENSE,
    LOAD_SINK,
    LOAD_VOLTS,
    NODE_VOLTS,
    PACK_VOLTS,
    SUPPLY_AMPS,
    SUPPLY_SENSE,
    SUPPLY_VOLTS,
    Watch,
)
from sims.law import Flows
from sims.load import LoadPort
from sims.node import Leads, Solved, solve_bench
from sims.solving import CircuitSteps, Step
from sims.supply import SupplyPort
from sims.ups import Ups
from sims.ups_stepping import FILTERED_AT, filtered_after, input_held

LONGEST_RAMP_STEP_S = 1.0


class BareStepper(CircuitSteps):
    """Supply, load and, perhaps, a UPS on one node."""

    def __init__(
        self, *, supply: SupplyPort | None, load: LoadPort | None, leads: Leads, ups: Ups | None
    ) -> None:  # fmt: skip
        super().__init__(supply=supply, load=load, leads=leads)
        self.ups = ups
        self._solved_s = self._t_s = 0.0

    def solve(self, t_s: float) -> None:
        """Solve the node for the ports as they are now."""
        self._solved_s = self._t_s = t_s
        ups = self.ups
        if ups is not None:
            ups.input.arrive(t_s)
        self._solve_circuit(t_s)
        if ups is not None and math.isnan(ups.filtered_volts):
            ups.filtered_volts = self.flows.node_volts
        self.longest_s = LONGEST_RAMP_STEP_S if self.solved.law.ramp else math.inf

    def solve_bench(self, t_s: float) -> Solved:
        """The circuit as it stands at ``t_s``."""
        return solve_bench(None, self.supply, self.load, self.leads, self.ups, t_s)

    def _hold_input(self, t_s: float) -> None:
        if self.ups is not None:
            input_held(self, self.ups, t_s)

    def _flows_now(self) -> Flows:
        return self._after(0.0)

    def _after(self, after_s: float) -> Flows:
        return self.solved.law.flows(0.0, math.inf, self._t_s - self._solved_s + after_s)

    def watches(self) -> tuple[Watch, ...]:
        """What tells that the circuit as solved no longer holds."""
        return self.solved.watches

    def outside_amps(self) -> float:
        """Nobody needs to know what a pack would have to give, A."""
        return 0.0

    def attempt(self, h_s: float, ambient_c: float) -> Step:
        """Try a step of ``h_s``; nothing is changed."""
        before = self.flows
        if self.solved.law.ramp == 0.0:
            middle = flows = before
            passed = tuple(p * h_s for p in self._powers(before))
        else:
            middle, flows = self._after(0.5 * h_s), self._after(h_s)
            three = zip(self._powers(before), self._powers(middle), self._powers(flows), strict=True)
            passed = tuple(h_s * (a + 4.0 * b + c) / 6.0 for a, b, c in three)
        sink_c = self._sink_after(passed[5] / h_s, h_s, ambient_c)
        figures = self._figures(flows, sink_c)
        if self.ups is not None:
            volts = (before.node_volts, middle.node_volts, flows.node_volts)
            tau_s = self.ups.spec.filter_tau_s
            filtered = filtered_after(self.ups.filtered_volts, volts, h_s=h_s, tau_s=tau_s)
            figures += self._ups_figures(self.ups, flows, filtered, h_s)
        return Step(h_s, None, flows, figures, passed)

    def take(self, step: Step) -> None:
        """Be as after ``step``."""
        self.flows = step.flows
        self._t_s += step.h_s
        if self.load is not None:
            self.load.sink_temp_c = step.figures[LOAD_SINK]
        if self.ups is not None:
            self.ups.filtered_volts = step.figures[FILTERED_AT]
            self.ups.input.follow(step.flows.node_volts)

    def figures_now(self) -> list[float]:
        """The watched figures at this instant."""
        figures, ups = self._figures(self.flows, None), self.ups
        return figures if ups is None else figures + self._ups_figures(ups, self.flows, ups.filtered_volts, 0.0)

    def _ups_figures(self, ups: Ups, flows: Flows, filtered: float, after_s: float) -> list[float]:
        return [filtered, flows.ups_amps, ups.room(flows.node_volts, self._t_s + after_s)]

    def _figures(self, flows: Flows, sink_c: float | None) -> list[float]:
        """The watched figures, in the order of their numbers; those of a pack are 0."""
        supply, load, node = self.supply, self.load, flows.node_volts
        figures = [0.0] * FIGURES
        supply_volts = self._supply_volts(flows)
        load_volts = node - flows.load_amps * self.leads.r_load
        figures[NODE_VOLTS] = figures[PACK_VOLTS] = node
        figures[SUPPLY_AMPS], figures[SUPPLY_VOLTS] = flows.supply_amps, supply_volts
        figures[SUPPLY_SENSE] = node if supply is not None and supply.remote_sense else supply_volts
        figures[LOAD_AMPS], figures[LOAD_VOLTS] = flows.load_amps, load_volts
        figures[LOAD_SENSE] = node if load is not None and load.remote_sense else load_volts
        figures[LOAD_SINK] = sink_c if sink_c is not None else 0.0 if load is None else load.sink_temp_c
        return figures

    def _powers(self, flows: Flows) -> tuple[float, ...]:
        """What flows, in the order of ``Totals``."""
        return (*self._bench_powers(flows, 1.0), flows.ups_amps, flows.ups_amps * flows.node_volts)
