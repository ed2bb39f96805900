"""A simulated bench: instruments on one pack and one UPS, reached as bytes only, and a person to do what they cannot.

``open_bench`` is what the entry point ``nightbench.benches`` names. Time comes from the caller's ``now``; before any
message is handled the world is brought up to it, so a bench in memory passes a night as fast as it is asked.

Not modelled: what the single parts say they do not model; instruments answer at once.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from typing import Any

from sims import bench_files
from sims.accuracy import Terms
from sims.agenda import Agenda
from sims.assembly import build_world
from sims.contact import Contact
from sims.fit_truth import true_fit_figures
from sims.hands import Hands, plug
from sims.load_panel import LoadPanel, LoadRating
from sims.manners import Manners
from sims.meter import Meter
from sims.rate_truth import true_rate_figures
from sims.scenario import Scenario, SourceFacts, drawn, load_scenario, scenarios
from sims.supply_panel import SupplyPanel, SupplyRating
from sims.switch import Switch
from sims.talk import Engine, Talker
from sims.thermometer import Thermometer
from sims.truth import true_figures
from sims.ups import Ups
from sims.ups_truth import true_ups_figures
from sims.verdict_truth import true_verdict
from sims.watching import Watched

__all__ = ["SimBench", "open_bench", "scenarios"]

VERSION = "1.0"
"""Firmware version the simulated instruments state."""

NAMES = ("supply", "load", "meter", "thermometer", "mains", "acload", "contact", "output", "contactor")
"""Instruments a bench may have; a scenario says which are fitted."""

DEBOUNCE_S = 0.02


def open_bench(
    scenario: str,
    *,
    now: Callable[[], float],
    seed: int | None = None,
    manners: Mapping[str, Manners] | None = None,
) -> SimBench:
    """A bench that plays a scenario. ``now`` tells bench time in s and must not go back. ``manners`` are put in the
    place of the scenario's own for the instruments they name.

    Without a seed: the scenario's nominal figures, instrument errors drawn from seed 0. With one: pack, leads, room
    and instrument errors drawn from it. Raises UnknownScenario, and ValueError for manners of an instrument not fitted.
    """
    nominal = load_scenario(scenario)
    return SimBench(nominal if seed is None else drawn(nominal, seed=seed), now=now, seed=seed, manners=manners)


def _source_terms(facts: SourceFacts) -> tuple[Terms, Terms]:
    volts = Terms(
        facts.volts_max,
        facts.volts_accuracy_reading_pct,
        facts.volts_accuracy_range_pct,
        facts.volts_step,
        facts.volts_noise,
    )
    amps = Terms(
        facts.amps_max,
        facts.amps_accuracy_reading_pct,
        facts.amps_accuracy_range_pct,
        facts.amps_step,
        facts.amps_noise,
    )
    return volts, amps


class SimBench:
    """The bench in one process. Not for several threads at once; ``names`` are its instruments. At first the pack hangs
    on the bench; the UPS stands beside it, off mains."""

    def __init__(
        self,
        facts: Scenario,
        *,
        now: Callable[[], float],
        seed: int | None,
        manners: Mapping[str, Manners] | None = None,
    ) -> None:
        self.scenario = facts.name
        self.seed = seed
        self.facts = facts
        self.names: tuple[str, ...] = tuple(name for name in NAMES if name in facts.fitted)
        self.manners: Mapping[str, Manners] = self._all_manners(manners or {})
        """Habits of every instrument fitted, by name."""
        self._now = now
        self.world = build_world(facts)
        self._agenda = Agenda()
        self._thermometer = self._make_thermometer()
        self.switches: dict[str, Switch] = {}
        """The switches fitted, by circuit: "mains", "ac-load"."""
        engines = {name: self._make(name) for name in self.names}
        self._hands = Hands(self.world, switches=self.switches, draw=self._draw("hands"))
        if facts.swapped:
            one, other = facts.swapped
            engines[one], engines[other] = engines[other], engines[one]
        self._engines: Mapping[str, Engine] = engines

    def _all_manners(self, given: Mapping[str, Manners]) -> dict[str, Manners]:
        for name in (*self.facts.manners, *given):
            if name not in self.names:
                raise ValueError(
                    f"scenario {self.scenario}: manners of {name!r}, which it has not; it has {', '.join(self.names)}"
                )
        plain = Manners()
        return {name: given.get(name) or self.facts.manners.get(name, plain) for name in self.names}

    def connect(self, name: str) -> Talker:
        """A new client's session with an instrument. Raises KeyError with the names there are."""
        if name not in self._engines:
            raise KeyError(f"scenario {self.scenario} has no instrument {name!r}; it has {', '.join(self.names)}")
        return self._engines[name].connect()

    def advance(self) -> None:
        """Bring the world up to ``now``; a ``now`` that went back is taken as standing still."""
        t_s = self._now()
        while self._agenda.due_s <= t_s:
            self._go(self._agenda.due_s)
            self._agenda.do_next()
        self._go(t_s)

    def _go(self, t_s: float) -> None:
        if t_s > self.world.t:
            self.world.advance_to(t_s)
            self._thermometer.follow()

    @property
    def ups(self) -> Ups:
        """The UPS as it is now, hooked up or not."""
        ups = self.world.ups
        assert ups is not None
        return ups

    def do(self, order: str) -> str:
        """Have a person do one of ``sims.hands.ORDERS``; "done", or in words why not."""
        self.advance()
        return self._hands.do(order)

    def noticed(self) -> list[tuple[float, str]]:
        """What a person beside the bench has noticed since the last call, late as people are: bench time s, word."""
        self.advance()
        return self._hands.noticed()

    def truth(self) -> dict[str, dict[str, float | bool | str]]:
        """The true figures under the scenario's plans: id -> value and unit (UCUM). The bench is not disturbed."""
        facts = self.facts
        figures = {
            **true_figures(facts),
            **true_rate_figures(facts),
            **true_ups_figures(facts),
            **true_fit_figures(facts),
        }
        return {name: figure.as_dict() for name, figure in figures.items()}

    def true_verdict(self) -> dict[str, Any] | None:
        """Class and rules of the pack on the UPS, from true figures; None when the pack cannot be charged."""
        made = true_verdict(self.facts)
        return None if made is None else made.as_dict()

    def bench_toml(self, addresses: Mapping[str, str], *, clock: Mapping[str, object] | None = None) -> str:
        """A bench file that points at these addresses and states the accuracy the errors were drawn from."""
        return bench_files.bench_toml(self.facts, addresses=addresses, clock=clock, identities=self._identities())

    def pack_toml(self) -> str:
        """A pack file with what the pack's label says."""
        return bench_files.pack_toml(self.facts)

    def ups_toml(self) -> str:
        """A UPS file with what its label says, and the site."""
        return bench_files.ups_toml(self.facts)

    def _identities(self) -> dict[str, str]:
        """What each name is expected to answer, which in a mixed-up scenario it does not."""
        return {name: self._identity(name) for name in self.names}

    def _identity(self, name: str) -> str:
        return f"NIGHTBENCH,SIM-{name.upper()},{self.scenario}-{NAMES.index(name) + 1},{VERSION}"

    def _draw(self, name: str) -> random.Random:
        return random.Random(f"{self.scenario}/{self.seed or 0}/{name}")

    def _make(self, name: str) -> Engine:
        match name:
            case "supply":
                return self._make_supply().engine
            case "load":
                return self._make_load().engine
            case "meter":
                return self._make_meter().engine
            case "thermometer":
                return self._thermometer.engine
            case "mains" | "acload" | "contactor":
                return self._make_switch(name).engine
        return self._make_contact(name).engine

    def _make_switch(self, name: str) -> Switch:
        circuit = {"mains": "mains", "acload": "ac-load", "contactor": "contactor"}[name]
        if circuit == "contactor":
            self.world.contact(False)
        switch = self.switches[circuit] = Switch(
            self.facts.switch,
            put=lambda closed: self._put(circuit, closed),
            agenda=self._agenda,
            now=lambda: self.world.t,
            identity=self._identity(name),
            draw=self._draw(name),
            before=self.advance,
        )
        return switch

    def _put(self, circuit: str, closed: bool) -> None:
        if circuit == "contactor":
            self.world.contact(closed)
        else:
            plug(self.world, circuit, closed)

    def _make_contact(self, name: str) -> Contact:
        what = {"contact": "warning", "output": "output"}[name]
        so = self.ups.warning if what == "warning" else self.ups.ac_out
        return Contact(
            Watched(self.world.events, f"ups: {what} on", f"ups: {what} off", DEBOUNCE_S, so),
            now=lambda: self.world.t,
            identity=self._identity(name),
            before=self.advance,
        )

    def _make_supply(self) -> SupplyPanel:
        volts, amps = _source_terms(self.facts.supply)
        rating = SupplyRating(volts=volts, amps=amps, over_volts_max=1.1 * volts.full)
        return SupplyPanel(
            self.world, rating, identity=self._identity("supply"), draw=self._draw("supply"), before=self.advance
        )

    def _make_load(self) -> LoadPanel:
        volts, amps = _source_terms(self.facts.load)
        rating = LoadRating(volts=volts, amps=amps, watts_max=self.facts.load.watts_max)
        return LoadPanel(
            self.world, rating, identity=self._identity("load"), draw=self._draw("load"), before=self.advance
        )

    def _make_meter(self) -> Meter:
        facts = self.facts.meter
        terms = Terms(
            facts.volts_max,
            facts.volts_accuracy_reading_pct,
            facts.volts_accuracy_range_pct,
            facts.volts_step,
            facts.volts_noise,
        )
        return Meter(
            self.world,
            terms,
            place="pack",
            identity=self._identity("meter"),
            draw=self._draw("meter"),
            before=self.advance,
        )

    def _make_thermometer(self) -> Thermometer:
        facts = self.facts.thermometer
        # An accuracy in kelvin has no share of the reading: it is 100 % of a range of that width.
        terms = Terms(facts.accuracy_k, 0.0, 100.0, facts.step_k, facts.noise_k)
        return Thermometer(
            self.world,
            terms,
            place=facts.measures,
            lag_s=facts.lag_s,
            identity=self._identity("thermometer"),
            draw=self._draw("thermometer"),
            before=self.advance,
        )
