"""Steps of a bench with a UPS on the node beside the pack: its filter, its charger's ramp, its input capacitor.

Not modelled: see the modules named here.
"""

from __future__ import annotations

import math

from sims.cell import ZERO_C_IN_K, Cells
from sims.circuit import draw_at
from sims.law import Flows
from sims.load import LoadPort
from sims.motion import constant_step, varying_step
from sims.node import Leads, Solved, outside_draw, solve_bench
from sims.pack import Pack
from sims.solving import CircuitSteps, Step
from sims.stepping import Stepper
from sims.supply import SupplyPort
from sims.ups import Ups

FILTERED_AT = -3
"""Where the filtered volts are among a step's figures; the UPS's come last."""


def filtered_after(before: float, volts: tuple[float, float, float], *, h_s: float, tau_s: float) -> float:
    """A first-order filter after ``h_s``, V, its input running through three volts at equal distance (a parabola)."""
    start, middle, end = volts
    if tau_s <= 0.0:
        return end
    if h_s < 1e-4 * tau_s:
        return before - math.expm1(-h_s / tau_s) * ((start + 4.0 * middle + end) / 6.0 - before)
    x, bend = h_s / tau_s, 2.0 * (start - 2.0 * middle + end)
    slope = end - start - bend
    # Input start + slope s + bend s^2 with s = t / h: what the filter follows it with once its own past is gone.
    behind = start - slope / x + 2.0 * bend / (x * x)
    there = end - (slope + 2.0 * bend) / x + 2.0 * bend / (x * x)
    return there + (before - behind) * math.exp(-x)


def input_held(stepper: CircuitSteps, ups: Ups, t_s: float) -> None:
    """After the circuit was solved without it: let the input capacitor hold the node where its volts have to move."""
    capacitor, supply = ups.input, stepper.supply
    if math.isnan(capacitor.volts):
        capacitor.follow(stepper.flows.node_volts)
    coasting = supply is not None and not math.isnan(supply.coasting_volts)
    if capacitor.farads <= 0.0 or coasting:
        return
    without = stepper.solved
    collapses = without.pieces["ups"].name == "collapsed"
    goal_v = ups.spec.uvlo_v if collapses else without.volts
    middle_v = capacitor.next_stair(goal_v, passes=collapses)
    if math.isnan(middle_v):
        return
    capacitor.held_volts = middle_v
    stepper.use(stepper.solve_bench(t_s))
    bare = ups.bare_pieces(t_s)
    amps = stepper.flows.ups_amps
    if not capacitor.hold(amps=amps, draw=lambda v: draw_at((bare,), v), goal_v=goal_v, t_s=t_s):
        capacitor.held_volts = math.nan
        stepper.use(without)


class UpsStepper(Stepper):
    """Pack and UPS on one node."""

    def __init__(
        self, *, pack: Pack, supply: SupplyPort | None, load: LoadPort | None, leads: Leads, ups: Ups
    ) -> None:  # fmt: skip
        super().__init__(pack=pack, supply=supply, load=load, leads=leads)
        self.ups = ups
        self._solved_s = self._t_s = 0.0

    def solve(self, t_s: float) -> None:
        """Solve the node for the ports and cells as they are now."""
        self._solved_s = self._t_s = t_s
        self.ups.input.arrive(t_s)
        super().solve(t_s)
        if math.isnan(self.ups.filtered_volts):
            self.ups.filtered_volts = self.flows.node_volts

    def solve_bench(self, t_s: float) -> Solved:
        """The circuit as it stands at ``t_s``."""
        return solve_bench(self.pack, self.supply, self.load, self.leads, self.ups, t_s)

    def _hold_input(self, t_s: float) -> None:
        input_held(self, self.ups, t_s)

    def _outside_draw(self) -> float:
        return outside_draw(self.pack, self.supply, self.load, self.leads, self.ups, self._t_s)

    def _after(self, cells: Cells, after_s: float) -> Flows:
        """What flows ``after_s`` s after the last step."""
        ohms = sum(cells.ohms) + self.pack.r_bms
        return self.solved.law.flows(sum(cells.emf), ohms, self._t_s - self._solved_s + after_s)

    def attempt(self, h_s: float, ambient_c: float) -> Step:
        """Try a step of ``h_s``; nothing is changed."""
        pack, room_k, before = self.pack, ambient_c + ZERO_C_IN_K, self.flows
        if self.solved.law.flat:
            moved = constant_step(pack.model, pack.cells, amps=self._pack_amps(), h_s=h_s, room_k=room_k)
            flows = self._flows_of(moved.cells)
            node_volt_s = self._volt_s(moved, flows, h_s) - before.pack_amps * self.leads.r_pack * h_s
            ups_amps = 0.5 * (before.ups_amps + flows.ups_amps)
            passed = (*self._passed(moved, flows, h_s), ups_amps * h_s, ups_amps * node_volt_s, node_volt_s)
        else:
            moved = varying_step(pack.model, pack.cells, flow=self._powers, h_s=h_s, room_k=room_k)
            flows = self._after(moved.cells, h_s)
            passed = moved.passed
        middle_v = 0.25 * (6.0 * passed[-1] / h_s - before.node_volts - flows.node_volts)
        volts = (before.node_volts, middle_v, flows.node_volts)
        filtered = filtered_after(self.ups.filtered_volts, volts, h_s=h_s, tau_s=self.ups.spec.filter_tau_s)
        sink_c = self._sink_after(passed[5] / h_s, h_s, ambient_c)
        figures = self._figures(moved.cells, flows, sink_c) + self._ups_figures(flows, filtered, h_s)
        return Step(h_s, moved, flows, figures, passed)

    def take(self, step: Step) -> None:
        """Be as after ``step``."""
        super().take(step)
        self._t_s += step.h_s
        self.ups.filtered_volts = step.figures[FILTERED_AT]
        self.ups.input.follow(step.flows.node_volts)

    def figures_now(self) -> list[float]:
        """The watched figures at this instant."""
        return super().figures_now() + self._ups_figures(self.flows, self.ups.filtered_volts, 0.0)

    def _ups_figures(self, flows: Flows, filtered: float, after_s: float) -> list[float]:
        return [filtered, flows.ups_amps, self.ups.room(flows.node_volts, self._t_s + after_s)]

    def _powers(self, cells: Cells, after_s: float) -> tuple[float, ...]:
        """What flows, in the order of ``Totals``, and the node's volts."""
        flows = self._after(cells, after_s)
        ups_amps, volts = flows.ups_amps, flows.node_volts
        return (*self._bench_powers(flows, self.pack.sign), ups_amps, ups_amps * volts, volts)
