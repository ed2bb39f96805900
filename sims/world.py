"""The bench as one circuit moved through time: supply, load and pack on their leads.

Between events the state obeys smooth equations; each step is tried, and cut where a watched figure leaves its limits
(a stop, a BMS rule, a mode's end, a table's node). Then all that is due happens, the node is solved anew, and time goes
on.

Not modelled: what the modules named here leave out; several packs or several supplies on one node.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

from sims.events import FOUND_WITHIN_S, Limits, first_positive
from sims.load import LoadPort
from sims.node import Leads
from sims.pack import Pack
from sims.stepping import Step, Stepper, Totals
from sims.supply import SupplyPort

__all__ = ["Leads", "World", "WorldEvent"]

LONGEST_STEP_S = 1.0
MOST_TRANSITIONS = 20
"""More than this many at one instant and the models contradict each other."""

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class WorldEvent:
    """Something that happened by itself: bench time s and words."""

    t_s: float
    what: str


class World:
    """The bench. Time in s; amps > 0 leave the pack, are sourced by the supply, are sunk by the load."""

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
        self.totals = Totals()
        if load is not None and math.isnan(load.sink_temp_c):
            load.sink_temp_c = ambient_c
        self._stepper = Stepper(pack=pack, supply=supply, load=load, leads=leads)
        self._limits = Limits()
        self._due_s = math.inf
        self._pushed = False
        self.changed()

    # -- what flows --------------------------------------------------------------------------------------------------

    @property
    def pack_amps(self) -> float:
        """Current out of the pack, A."""
        return self.pack.sign * self._stepper.flows.pack_amps

    @property
    def supply_amps(self) -> float:
        """Current the supply sources, A; down to minus its bleed current when it is driven."""
        return self._stepper.flows.supply_amps

    @property
    def load_amps(self) -> float:
        """Current the load sinks, A."""
        return self._stepper.flows.load_amps

    @property
    def charge_ah(self) -> float:
        """Charge out of the pack so far, Ah."""
        return self.totals.pack_c / SECONDS_PER_HOUR

    @property
    def energy_wh(self) -> float:
        """Energy out of the pack at its terminals so far, Wh."""
        return self.totals.pack_j / SECONDS_PER_HOUR

    def volts_at(self, place: str) -> float:
        """Volts as the bench is wired: "pack" (terminals), "node", "supply", "supply_sense", "load" or "load_sense".

        Raises ValueError for another place.
        """
        flows, leads = self._stepper.flows, self.leads
        if place.endswith("_sense"):
            port = self.supply if place == "supply_sense" else self.load
            place = "pack" if port is not None and port.remote_sense else place.removesuffix("_sense")
        if place == "pack":
            return flows.pack_volts
        if place == "node":
            return flows.node_volts
        if place == "supply":
            return flows.node_volts + flows.supply_amps * leads.r_supply
        if place == "load":
            return flows.node_volts - flows.load_amps * leads.r_load
        raise ValueError(f"world: no volts at {place!r}; ask for pack, node, supply, supply_sense, load or load_sense")

    def temp_c(self, place: str) -> float:
        """Temperature of "pack" (mean of the cells), "ambient" or "load" (heat sink), degC.

        Raises ValueError for another place.
        """
        if place == "pack":
            return math.fsum(self.pack.temp_c_each) / len(self.pack.z)
        if place == "load":
            return self.ambient_c if self.load is None else self.load.sink_temp_c
        if place == "ambient":
            return self.ambient_c
        raise ValueError(f"world: no temperature of {place!r}; ask for pack, ambient or load")

    def copy(self) -> World:
        """An independent bench in the same state."""
        return copy.deepcopy(self)

    # -- time --------------------------------------------------------------------------------------------------------

    def changed(self) -> None:
        """Solve the node anew after a port's attribute was set."""
        for port in (self.supply, self.load):
            if port is not None:
                port.start_ramp(self.t)
        self.pack.model.refresh(self.pack.cells)
        self._settle()

    def advance_to(self, t_s: float) -> None:
        """Integrate to bench time ``t_s``; raises ValueError when that is in the past or no number."""
        if not t_s >= self.t:
            raise ValueError(f"world: asked to go from {self.t} s to {t_s} s; time only goes forward")
        standing = 0
        while self.t < t_s:
            before_s = self.t
            self._go(min(t_s, self._due_s, self.t + self._stepper.longest_s))
            standing = standing + 1 if self.t - before_s < FOUND_WITHIN_S else 0
            if standing > MOST_TRANSITIONS:
                raise RuntimeError(self._contradiction())

    def _go(self, to_s: float) -> None:
        """One step, to ``to_s`` or to the first event before it."""
        stepper, limits = self._stepper, self._limits
        step = stepper.attempt(to_s - self.t, self.ambient_c)
        left = limits.left(step.figures)
        if left:
            at_s = first_positive(
                lambda h_s: limits.excess(stepper.attempt(h_s, self.ambient_c).figures),
                at=step.h_s,
                excess_at=limits.excess(step.figures),
                excess_at_0=limits.excess(stepper.figures_now()),
                within=FOUND_WITHIN_S,
            )
            to_s = min(self.t + max(at_s, math.ulp(self.t)), to_s)
            step = stepper.attempt(to_s - self.t, self.ambient_c)
        self._take(step, to_s)
        if left or to_s >= self._due_s:
            self._settle()

    def _take(self, step: Step, t_s: float) -> None:
        self.t = t_s
        self._stepper.take(step)
        self.totals.add(step.passed)
        if step.moved.pushed and not self._pushed:
            self.events.append(WorldEvent(t_s, "pack: a cell is pushed past full or empty and held there"))
        self._pushed = step.moved.pushed

    def _settle(self) -> None:
        """Let all that is due at this instant happen, solving anew after each, until nothing more does."""
        stepper = self._stepper
        for _ in range(MOST_TRANSITIONS + 1):
            stepper.solve(self.t)
            figures = stepper.figures_now()
            done = self.pack.poll(figures, self.t, stepper.outside_amps())
            for port in (self.supply, self.load):
                done += [] if port is None else port.poll(figures, self.t)
            self.events += [WorldEvent(self.t, what) for what in done if what]
            if not done:
                break
        else:
            raise RuntimeError(self._contradiction())
        self._watch(figures)

    def _watch(self, figures: list[float]) -> None:
        stepper, limits = self._stepper, Limits()
        devices = [d for d in (self.pack, self.supply, self.load) if d is not None]
        for device in devices:
            device.narrow(limits, figures) if isinstance(device, Pack) else device.narrow(limits)
        for figure, low, high in stepper.watches():
            limits.narrow(figure, low, high)
        limits.take_in(figures)
        self._limits = limits
        self._due_s = min(device.due_s() for device in devices)

    def _contradiction(self) -> str:
        last = [e.what for e in self.events[-3:]]
        return (
            f"world: more than {MOST_TRANSITIONS} transitions at {self.t} s (last: {last}); two of the models "
            "contradict each other, report the scenario"
        )
