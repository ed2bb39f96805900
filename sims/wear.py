"""What wears, comes loose or breaks on a bench while it runs. Each begins at a bench time, in s, and stays.

Not modelled: joints that get better and worse with their own heat, converters that come back by themselves, heat that
feeds on the temperature it makes (it is a steady source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from sims.agenda import Agenda
from sims.load_input import LoadInput
from sims.meter import Meter
from sims.supply_output import SupplyOutput
from sims.thermometer import Thermometer
from sims.world import World

EVERY_S = 1.0
"""What grows does so in steps of this long."""

LEADS = {"supply": "r_supply", "load": "r_load", "pack": "r_pack"}


class Wear:
    """Breaks things of one bench. ``parts`` are its instruments by name. Raises KeyError for one that is not there."""

    def __init__(
        self,
        world: World,
        *,
        agenda: Agenda,
        parts: Mapping[str, SupplyOutput | LoadInput | Meter | Thermometer],
    ) -> None:
        self._world, self._agenda, self._parts = world, agenda, parts

    def joint(self, lead: str, *, at_s: float, step_ohm: float = 0.0, ohm_per_s: float = 0.0) -> None:
        """The joint of a lead ("supply", "load", "pack") has ``step_ohm`` more from ``at_s`` on, and rising."""
        name = LEADS[lead]

        def worse(ohm: float) -> None:
            leads = self._world.leads
            self._world.put_leads(replace(leads, **{name: getattr(leads, name) + ohm}))

        if step_ohm:
            self._agenda.put(at_s, lambda: worse(step_ohm))
        if ohm_per_s:
            self._growing(at_s, lambda: worse(ohm_per_s * EVERY_S))

    def sense_off(self, name: str, *, at_s: float) -> None:
        """The sense leads of supply or load come off."""
        part = self._parts[name]
        if not isinstance(part, SupplyOutput | LoadInput):
            raise KeyError(f"{name} has no sense leads")
        self._agenda.put(at_s, part.lose_sense)

    def freeze(self, name: str, *, at_s: float) -> None:
        """The converter of volts, or of temperature, of an instrument hangs."""
        self._agenda.put(at_s, self._parts[name].freeze)

    def heat(self, watts: float, *, at_s: float, until_s: float = math.inf) -> None:
        """The cells make heat of their own, with or without a current, W all together."""

        def warm() -> None:
            if self._world.t < until_s:
                self._world.pack.warm(watts * EVERY_S)
                self._world.changed()

        self._growing(at_s, warm)

    def drift(self, *, at_s: float, volts: float = 0.0, volts_per_s: float = 0.0) -> None:
        """The supply's output leaves what is set, and its own voltmeter with it."""
        part = self._parts["supply"]
        assert isinstance(part, SupplyOutput)
        if volts:
            self._agenda.put(at_s, lambda: part.drift(volts))
        if volts_per_s:
            self._growing(at_s, lambda: part.drift(volts_per_s * EVERY_S))

    def leak(self, amps: float, *, at_s: float) -> None:
        """A short within each cell takes ``amps`` of its own from ``at_s`` on."""

        def begin() -> None:
            pack, spec = self._world.pack, self._world.pack.model.spec
            pack.model.spec = replace(spec, self_discharge_per_s=amps / (3600.0 * spec.capacity_ah))
            self._world.changed()

        self._agenda.put(at_s, begin)

    def _growing(self, at_s: float, act: Callable[[], None]) -> None:
        def again() -> None:
            act()
            self._agenda.put(self._world.t + EVERY_S, again)

        self._agenda.put(at_s, again)
