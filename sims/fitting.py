"""The instruments of a simulated bench, made from its scenario and wired to its world, each in its shape.

Of an instrument with several channels one hangs on the bench; the others stand on open terminals, each in a little
world of its own. Relays that are channels of one box share its engine, and so its address.

Not modelled: wires between channels.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence

from sims.accuracy import Terms
from sims.agenda import Agenda
from sims.assembly import build_open_world
from sims.contact import Contact
from sims.front_panel import FrontPanel
from sims.hands import plug
from sims.load_input import LoadInput, LoadRating
from sims.load_panel import LoadPanel
from sims.manners import Manners
from sims.meter import Meter
from sims.relay import Relay
from sims.relay_box import RelayBox
from sims.scenario import MeterFacts, Scenario, SourceFacts
from sims.shapes import BOX_CHANNELS, box_of, check_shape, wired_channel
from sims.supply_output import SupplyOutput, SupplyRating
from sims.supply_panel import OF_SEVERAL, SupplyPanel
from sims.switch import Switch
from sims.talk import Engine
from sims.thermometer import Thermometer
from sims.watching import Watched
from sims.world import World

VERSION = "1.0"
"""Firmware version the simulated instruments state."""

NAMES = (
    "supply", "load", "meter", "thermometer", "mains", "acload", "contact", "output", "contactor", "shunt", "lug",
)  # fmt: skip
"""Instruments a bench may have; a scenario says which are fitted."""

CIRCUITS = {"mains": "mains", "acload": "ac-load", "contactor": "contactor"}
"""The circuit of each switch."""

BOX = "relays"
"""What the relay box calls itself."""

DEBOUNCE_S = 0.02
OVER_VOLTS_RATIO = 1.1


def _nothing_on_it(closed: bool) -> None:
    """A relay with nothing on its contacts."""


def _nothing_to_reset() -> None:
    """An instrument without settings."""


class Fitting:
    """Makes them all at once. ``advance`` brings the bench up to now; ``seed`` draws their errors.

    Raises ValueError for a shape an instrument has not.
    """

    def __init__(
        self,
        facts: Scenario,
        *,
        names: Sequence[str],
        manners: Mapping[str, Manners],
        world: World,
        agenda: Agenda,
        seed: int,
        advance: Callable[[], None],
    ) -> None:
        for name in names:
            check_shape(name, manners[name].shape)
        self._facts, self._names, self._manners, self._world = facts, names, manners, world
        self._agenda, self._seed, self._advance = agenda, seed, advance
        self.shared: dict[str, str] = box_of(manners)
        """Name -> name of the instrument it is a channel of."""
        self.thermometer = self._make_thermometer("thermometer")
        self.switches: dict[str, Relay] = {}
        """The relays fitted, by circuit: "mains", "ac-load", "contactor"."""
        self.parts: dict[str, SupplyOutput | LoadInput | Meter | Thermometer] = {"thermometer": self.thermometer}
        """What of the instruments hangs on the bench, by name."""
        self.panels: dict[str, FrontPanel] = {}
        """Every instrument by name; its ``engine`` is what clients connect to."""
        for name in names:
            self.panels[name] = self.panels[self.shared[name]] if name in self.shared else self._make(name)

    @property
    def thermometers(self) -> tuple[Thermometer, ...]:
        """Those that must follow the bench."""
        return tuple(one for one in self.parts.values() if isinstance(one, Thermometer))

    def identity(self, name: str) -> str:
        """What it answers to ``*IDN?``."""
        boxed = name in BOX_CHANNELS and self._manners[name].shape == "route"
        number = NAMES.index(self.shared.get(name, name)) + 1
        return f"NIGHTBENCH,SIM-{(BOX if boxed else name).upper()},{self._facts.name}-{number},{VERSION}"

    def draw(self, name: str) -> random.Random:
        """Where the errors of ``name`` come from."""
        return random.Random(f"{self._facts.name}/{self._seed}/{name}")

    def _make(self, name: str) -> FrontPanel:
        match name:
            case "supply":
                return self._make_supply()
            case "load":
                return self._make_load()
            case "meter" | "shunt":
                meter = self.parts[name] = self._make_meter(name)
                return self._panel(name, meter.engine)
            case "lug":
                lug = self.parts[name] = self._make_thermometer(name)
                return self._panel(name, lug.engine)
            case "thermometer":
                return self._panel(name, self.thermometer.engine)
            case "mains" | "acload" | "contactor":
                return self._make_box() if self._manners[name].shape == "route" else self._make_switch(name)
        return self._panel(name, self._make_contact(name).engine)

    def _panel(self, name: str, engine: Engine, reset: Callable[[], None] = _nothing_to_reset) -> FrontPanel:
        return FrontPanel(engine, reset=reset, remote_needed=self._manners[name].remote_needed)

    def _make_supply(self) -> SupplyPanel:
        manners, facts = self._manners["supply"], self._facts.supply
        shape = manners.shape or "single"
        volts, amps = _source_terms(facts)
        sinks = facts.amps_max if shape == "two-quadrant" else 0.0
        rating = SupplyRating(
            volts=volts, amps=amps, over_volts_max=OVER_VOLTS_RATIO * volts.full, sink_amps_max=sinks
        )  # fmt: skip
        wired = wired_channel(manners) if shape in OF_SEVERAL else 1
        outputs, aside = [], []
        for channel in range(1, manners.channels + 1 if shape in OF_SEVERAL else 2):
            on_bench = channel == wired
            world = self._world if on_bench else build_open_world(self._facts)
            if not on_bench:
                aside.append(world)
            draw = self.draw("supply" if on_bench else f"supply channel {channel}")
            outputs.append(SupplyOutput(world, rating, draw=draw, manners=manners))
        self.parts["supply"] = outputs[wired - 1]
        return SupplyPanel(
            outputs,
            shape=shape,
            wired=outputs[wired - 1],
            identity=self.identity("supply"),
            before=(lambda: self._bring_along(aside)) if aside else self._advance,
            remote_needed=manners.remote_needed,
            watchdog=manners.watchdog,
        )

    def _bring_along(self, aside: Sequence[World]) -> None:
        """The bench up to now, and the worlds beside it with it."""
        self._advance()
        for world in aside:
            world.advance_to(max(world.t, self._world.t))

    def _make_load(self) -> LoadPanel:
        manners = self._manners["load"]
        volts, amps = _source_terms(self._facts.load)
        rating = LoadRating(volts=volts, amps=amps, watts_max=self._facts.load.watts_max)
        one = self.parts["load"] = LoadInput(self._world, rating, draw=self.draw("load"), manners=manners)
        return LoadPanel(
            one,
            shape=manners.shape or "function",
            identity=self.identity("load"),
            before=self._advance,
            remote_needed=manners.remote_needed,
            watchdog=manners.watchdog,
        )

    def _make_meter(self, name: str) -> Meter:
        world, facts = self._world, self._facts
        if name == "meter":
            terms, decimals = _meter_terms(facts.meter), 5
            volts: Callable[[], float] = lambda: world.volts_at("pack")  # noqa: E731
        else:
            shunt = facts.shunt
            assert shunt is not None
            terms, decimals = _meter_terms(shunt.meter), 7
            off = self.draw("shunt ohm").uniform(-shunt.accuracy_pct, shunt.accuracy_pct) / 100.0
            ohm = (-1.0 if shunt.inverted else 1.0) * shunt.mohm / 1000.0 * (1.0 + off)
            volts = lambda: ohm * world.lead_amps  # noqa: E731
        return Meter(
            volts,
            terms,
            decimals=decimals,
            identity=self.identity(name),
            draw=self.draw(name),
            before=self._advance,
        )

    def _make_switch(self, name: str) -> FrontPanel:
        switch = self.switches[CIRCUITS[name]] = Switch(
            self._facts.switch,
            put=self._mover(name),
            agenda=self._agenda,
            now=lambda: self._world.t,
            identity=self.identity(name),
            draw=self.draw(name),
            before=self._advance,
        )
        return self._panel(name, switch.engine, lambda: switch.turn(False))

    def _make_box(self) -> FrontPanel:
        fitted = [name for name in BOX_CHANNELS if name in self._names]
        relays: dict[int, Relay] = {}
        for name, channel in BOX_CHANNELS.items():
            relay = relays[channel] = Relay(
                self._facts.switch,
                put=self._mover(name) if name in fitted else _nothing_on_it,
                agenda=self._agenda,
                now=lambda: self._world.t,
                draw=self.draw(name),
            )
            if name in fitted:
                self.switches[CIRCUITS[name]] = relay
        box = RelayBox(relays, identity=self.identity(fitted[0]), before=self._advance)
        return self._panel(fitted[0], box.engine, box.open_all)

    def _mover(self, name: str) -> Callable[[bool], None]:
        """What happens when the contacts of this switch arrive. They are open at first."""
        if name == "contactor":
            self._world.contact(False)
            return self._world.contact
        return lambda closed: plug(self._world, CIRCUITS[name], closed)

    def _make_contact(self, name: str) -> Contact:
        ups = self._world.ups
        assert ups is not None
        what = {"contact": "warning", "output": "output"}[name]
        so = ups.warning if what == "warning" else ups.ac_out
        return Contact(
            Watched(self._world.events, f"ups: {what} on", f"ups: {what} off", DEBOUNCE_S, so),
            now=lambda: self._world.t,
            identity=self.identity(name),
            before=self._advance,
        )

    def _make_thermometer(self, name: str) -> Thermometer:
        facts = self._facts.thermometer
        # An accuracy in kelvin has no share of the reading: it is 100 % of a range of that width.
        terms = Terms(facts.accuracy_k, 0.0, 100.0, facts.step_k, facts.noise_k)
        return Thermometer(
            self._world,
            terms,
            place="lug" if name == "lug" else facts.measures,
            lag_s=facts.lag_s,
            identity=self.identity(name),
            draw=self.draw(name),
            before=self._advance,
        )


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


def _meter_terms(facts: MeterFacts) -> Terms:
    return Terms(
        facts.volts_max,
        facts.volts_accuracy_reading_pct,
        facts.volts_accuracy_range_pct,
        facts.volts_step,
        facts.volts_noise,
    )
