"""The bench as one circuit moved through time: supply, load, pack and UPS on their leads.

Between events the state obeys smooth equations; each step is tried, and cut where a watched figure leaves its limits
(a stop, a BMS rule, a mode's end, a table's node). Then all that is due happens, the node is solved anew, and time goes
on.

What is not hooked up lives on by itself, the pack at rest, the UPS with open battery terminals.

Not modelled: what the modules named here leave out; several packs or several supplies on one node.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

from sims.bare import BareStepper
from sims.events import FIGURES, FIGURES_WITH_UPS, FOUND_WITHIN_S, Limits, first_positive
from sims.law import Flows
from sims.load import LoadPort
from sims.node import Leads
from sims.pack import Pack
from sims.readings import Readings
from sims.solving import Step, Totals
from sims.stepping import Stepper
from sims.supply import SupplyPort
from sims.ups import Ups
from sims.ups_stepping import UpsStepper

__all__ = ["Leads", "World", "WorldEvent"]

MOST_TRANSITIONS = 20
"""More than this many at one instant and the models contradict each other."""

HOOKED = ("pack", "ups", "both", "none")
ASIDE_STEP_S = 10.0
"""A pack that is not hooked up is brought along at least this often."""


@dataclass(frozen=True, slots=True)
class WorldEvent:
    """Something that happened by itself: bench time s and words."""

    t_s: float
    what: str


class World(Readings):
    """The bench. Time in s; amps > 0 leave the pack, are sourced by the supply, are sunk by the load and the UPS.

    Without ``pack`` there is none, likewise ``ups``; what is given is hooked up to the node. Set attributes of a port,
    of the UPS or ``ambient_c``, then call ``changed()``.
    """

    def __init__(
        self,
        *,
        pack: Pack | None,
        supply: SupplyPort | None = None,
        load: LoadPort | None = None,
        leads: Leads = Leads(),  # noqa: B008 - frozen
        ambient_c: float = 25.0,
        ups: Ups | None = None,
    ) -> None:
        self.t = 0.0
        self._pack = pack
        self.supply = supply
        self.load = load
        self.leads = leads
        self.ambient_c = ambient_c
        self._ups = ups
        self.events: list[WorldEvent] = []
        self.totals = Totals()
        if load is not None and math.isnan(load.sink_temp_c):
            load.sink_temp_c = ambient_c
        self._stepper: Stepper | BareStepper
        self._limits = Limits()
        self._due_s = math.inf
        self._pushed = False
        self._aside: list[World] = []
        self._on_node: tuple[Pack | None, Ups | None] = (None, None)
        self.hooked = ""
        """What the leads go to: "pack", "ups", "both" or "none"; on the node it is while the contactor is closed."""
        self.contactor_closed = True
        """Whether the contactor in the lead is closed; a bench without one has a lead there."""
        self.hook_up({(True, False): "pack", (False, True): "ups", (True, True): "both", (False, False): "none"}[
            (pack is not None, ups is not None)
        ])  # fmt: skip

    def hook_up(self, what: str) -> None:
        """Hook "pack", "ups", "both" or "none" up to the node, where supply and load are; the rest is left aside.

        Raises ValueError for other words, or for what this bench does not have.
        """
        if what not in HOOKED:
            raise ValueError(f"world: cannot hook up {what!r}; choose one of {', '.join(HOOKED)}")
        with_pack, with_ups = what in ("pack", "both"), what in ("ups", "both")
        if (with_pack and self._pack is None) or (with_ups and self._ups is None):
            raise ValueError(f"world: no {'pack' if self._pack is None else 'UPS'} here to hook up for {what!r}")
        if what == self.hooked:
            return
        self._bring_along()
        self.hooked = what
        self._settle_leads()

    def contact(self, closed: bool) -> None:
        """Close or open the contactor."""
        if closed == self.contactor_closed:
            return
        self._bring_along()
        self.contactor_closed = closed
        self._settle_leads()

    def put_leads(self, leads: Leads) -> None:
        """Other leads, or the same with a joint that has become worse."""
        self._bring_along()
        self.leads = leads
        self._settle_leads()

    def _settle_leads(self) -> None:
        """Make what hangs on the node what leads and contactor say."""
        with_pack = self.contactor_closed and self.hooked in ("pack", "both")
        with_ups = self.contactor_closed and self.hooked in ("ups", "both")
        self._aside = []
        if self._pack is not None and not with_pack:
            self._leave_aside(pack=self._pack)
        if self._ups is not None and not with_ups:
            self._leave_aside(ups=self._ups)
        self._on_node = (self._pack if with_pack else None, self._ups if with_ups else None)
        self._stepper = self._make_stepper(*self._on_node)
        self.changed()

    def _make_stepper(self, pack: Pack | None, ups: Ups | None) -> Stepper | BareStepper:
        supply, load, leads = self.supply, self.load, self.leads
        if pack is None:
            return BareStepper(supply=supply, load=load, leads=leads, ups=ups)
        if ups is None:
            return Stepper(pack=pack, supply=supply, load=load, leads=leads)
        return UpsStepper(pack=pack, supply=supply, load=load, leads=leads, ups=ups)

    def long_steps(self, longest_s: float) -> None:
        """Step by up to ``longest_s`` s, as things are hooked up now: for whoever only asks where it leads to."""
        if isinstance(self._stepper, Stepper):
            self._stepper.steady_s = longest_s
        self.changed()

    def _leave_aside(self, *, pack: Pack | None = None, ups: Ups | None = None) -> None:
        """Give it a node of its own, with nothing else on it."""
        alone = World(pack=None, ambient_c=self.ambient_c)
        alone.t, alone._pack, alone._ups = self.t, pack, ups
        alone.hook_up("pack" if ups is None else "ups")
        if isinstance(alone._stepper, Stepper):
            alone._stepper.steady_s = ASIDE_STEP_S
        alone.changed()
        self._aside.append(alone)
        self._hear(alone)

    def _bring_along(self, *, at_least_s: float = 0.0) -> None:
        """Bring what is left aside to this instant; a resting pack not before it is ``at_least_s`` behind."""
        for alone in self._aside:
            if alone.hooked == "pack" and self.t - alone.t < at_least_s:
                continue
            alone.ambient_c = self.ambient_c
            alone.advance_to(self.t)
            self._hear(alone)

    def _hear(self, alone: World) -> None:
        self.events += alone.events
        alone.events.clear()

    @property
    def pack(self) -> Pack:
        """The pack, hooked up or not. Raises LookupError when there is none."""
        if self._pack is None:
            raise LookupError("world: this bench has no pack")
        if self._aside:
            self._bring_along()
        return self._pack

    @property
    def has_pack(self) -> bool:
        """Is there a pack, hooked up or not?"""
        return self._pack is not None

    @property
    def ups(self) -> Ups | None:
        """The UPS, hooked up or not; None when there is none."""
        if self._aside:
            self._bring_along()
        return self._ups

    def _flows(self) -> Flows:
        return self._stepper.flows

    def _ups_volts(self) -> float:
        self._bring_along()
        return next((w for w in (*self._aside, self) if w.hooked in ("ups", "both")), self)._flows().node_volts

    def _pack_volts_aside(self) -> float:
        self._bring_along()
        return next(w for w in self._aside if w.hooked == "pack")._flows().pack_volts

    def copy(self) -> World:
        """An independent bench in the same state."""
        return copy.deepcopy(self)

    # -- time --------------------------------------------------------------------------------------------------------

    def changed(self) -> None:
        """Solve the node anew after a port's attribute was set."""
        for port in (self.supply, self.load):
            if port is not None:
                port.start_ramp(self.t)
        pack = self._on_node[0]
        if pack is not None:
            pack.model.refresh(pack.cells)
        self._settle()
        self._bring_along()
        for alone in self._aside:
            alone.changed()
            self._hear(alone)

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
        if self._aside:
            self._bring_along(at_least_s=ASIDE_STEP_S)

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
        pushed = step.moved is not None and step.moved.pushed
        if pushed and not self._pushed:
            self.events.append(WorldEvent(t_s, "pack: a cell is pushed past full or empty and held there"))
        self._pushed = pushed

    def _settle(self) -> None:
        """Let all that is due at this instant happen, solving anew after each, until nothing more does."""
        stepper, (pack, ups) = self._stepper, self._on_node
        if ups is not None:
            ups.room_c = self.ambient_c
        for _ in range(MOST_TRANSITIONS + 1):
            stepper.solve(self.t)
            figures = stepper.figures_now()
            done = [] if pack is None else pack.poll(figures, self.t, stepper.outside_amps())
            for port in (self.supply, self.load, ups):
                done += [] if port is None else port.poll(figures, self.t)
            self.events += [WorldEvent(self.t, what) for what in done if what]
            if not done:
                break
        else:
            raise RuntimeError(self._contradiction())
        self._watch(figures)

    def _watch(self, figures: list[float]) -> None:
        stepper, (pack, ups) = self._stepper, self._on_node
        limits = Limits(FIGURES if ups is None else FIGURES_WITH_UPS)
        due_s = math.inf
        for device in (pack, ups):
            if device is not None:
                device.narrow(limits, figures)
                due_s = min(due_s, device.due_s())
        for port in (self.supply, self.load):
            if port is not None:
                port.narrow(limits)
                due_s = min(due_s, port.due_s())
        for figure, low, high in stepper.watches():
            limits.narrow(figure, low, high)
        limits.take_in(figures)
        self._limits, self._due_s = limits, due_s

    def _contradiction(self) -> str:
        last = [e.what for e in self.events[-3:]]
        return (
            f"world: more than {MOST_TRANSITIONS} transitions at {self.t} s (last: {last}); two of the models "
            "contradict each other, report the scenario"
        )
