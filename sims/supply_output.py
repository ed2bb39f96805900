"""One output of a DC supply: what is programmed, over a port of the world, and what its own meters read.

Set and read-back have errors of their own. How it is spoken to is the panel's matter.

Not modelled: start-up time, command response time, a ramp of the current limit; with ``settle_s`` the volts ramp at the
steady rate that brings them there in that time.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sims.accuracy import Terms, draw_channel
from sims.grid import cut
from sims.headers import Refusal
from sims.manners import Manners

if TYPE_CHECKING:
    from sims.world import World

PLAIN = Manners()

OPEN_SENSE_RAISE = 1.03
"""Terminals over set volts with the sense leads off (judgement: makers state a few percent)."""


@dataclass(frozen=True, slots=True)
class SupplyRating:
    """What the label says: volts, amps, highest over-volts level, and the stated accuracy of each quantity.

    ``sink_amps_max``: what a two-quadrant output can take in, A; 0 of one that cannot.
    """

    volts: Terms
    amps: Terms
    over_volts_max: float
    sink_amps_max: float = 0.0


class SupplyOutput:
    """Set-points, trips and readings of one output. ``world`` is what hangs on it: the bench, or open terminals."""

    def __init__(self, world: World, rating: SupplyRating, *, draw: random.Random, manners: Manners = PLAIN) -> None:
        if world.supply is None:
            raise ValueError("the bench has no supply to put a panel on")
        self.world, self.port, self.rating, self._manners = world, world.supply, rating, manners
        self._volts_set, self._amps_set = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._volts_read, self._amps_read = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self.volts = self.amps = self.sink_amps = 0.0
        """As programmed: volts, the current limit, and the limit of what is sunk."""
        self.over_volts = rating.over_volts_max
        self._asked_on = False
        self.sense_asked = self.port.remote_sense
        """Four-wire sensing as it is set; whether its leads are on is another matter."""
        self._raise = 1.0
        """How far the output comes up with its sense leads off: it then sees less than there is."""
        self.reset()

    def reset(self) -> None:
        """``*RST``: output off, nothing programmed, over-volts stop at its highest, over-current stop off.

        The sink limit stands at its highest: an output that is switched on then takes in what the pack will give.
        """
        port = self.port
        self._asked_on = False
        port.output_on = False
        port.over_amps_enabled = False
        self.clear_trips()
        self.put_volts(0.0)
        self.put_amps(0.0)
        self.put_over_volts(self.rating.over_volts_max)
        if self.rating.sink_amps_max:
            self.put_sink_amps(self.rating.sink_amps_max)

    @property
    def cuts(self) -> bool:
        """Whether what lies between two steps of the grid is cut off, and not rounded."""
        return self._manners.grid == "truncate"

    @property
    def tripped(self) -> bool:
        """True while one of its stops, or its watchdog, is latched."""
        return self.port.stopped

    def put_volts(self, volts: float) -> None:
        """Program volts, V."""
        self.volts = self._kept(volts, self.rating.volts)
        self.port.volts_set = self._volts_set.true(self.volts) * self._raise
        self._settle()
        self.world.changed()

    def put_amps(self, amps: float) -> None:
        """Program the current limit, A."""
        self.amps = self._kept(amps, self.rating.amps)
        self.port.amps_set = self._amps_set.true(self.amps)
        self.world.changed()

    def put_sink_amps(self, amps: float) -> None:
        """Program the limit of the current that flows in, A."""
        self.sink_amps = self._kept(amps, self.rating.amps)
        self.port.sink_amps = self._amps_set.true(self.sink_amps)
        self.world.changed()

    def put_over_volts(self, volts: float) -> None:
        """Program the level of the over-volts stop, V."""
        self.over_volts = self._kept(volts, self.rating.volts)
        level = self._volts_set.true(self.over_volts)
        self.port.over_volts = math.inf if self._manners.stop == "ignored" else level
        self.world.changed()

    def enable_over_amps(self, on: bool) -> None:
        """Arm the stop that switches off in constant current."""
        self.port.over_amps_enabled = on
        self.world.changed()

    def switch(self, on: bool) -> None:
        """Output on or off. While a stop is latched on is refused with -221, or remembered without a word."""
        if on and self.tripped and not self._manners.restores_output:
            raise Refusal(-221, "protection tripped; clear it first")
        if on or not (self.port.watchdog_expired and self._manners.watchdog == "insists"):
            self._asked_on = on
        self.port.output_on = on and not self.tripped
        self._settle()
        self.world.changed()

    def come_back(self) -> None:
        """On again, if it was last told on: what was programmed survives its watchdog."""
        if self._asked_on:
            self.switch(True)

    def clear_trips(self) -> None:
        """Forget the latched stops; with ``restores_output`` the output is as it was last asked for, at once."""
        self.port.clear_trips()
        if self._manners.restores_output and self._asked_on:
            self.switch(True)

    def put_sense(self, remote: bool) -> None:
        """Regulate at the far ends of the sense leads, or at the terminals."""
        self.sense_asked = remote
        self.port.remote_sense = remote and self._raise == 1.0
        self.world.changed()

    def measure_volts(self) -> float:
        """What its voltmeter reads, V."""
        place = "supply_sense" if self.port.remote_sense else "supply"
        return max(0.0, self._volts_read.read(self.world.volts_at(place) / self._raise))

    def lose_sense(self) -> None:
        """Its sense leads come off: inner resistors stand in for them, and the terminals come up by some percent."""
        if self.sense_asked:
            self._raise = OPEN_SENSE_RAISE
            self.port.remote_sense = False
            self.put_volts(self.volts)

    def drift(self, volts: float) -> None:
        """Its reference moves, V: the output goes with it, and its own voltmeter, which has the same, sees nothing."""
        self._volts_set.offset += volts
        self._volts_read.offset -= volts
        self.put_volts(self.volts)

    def freeze(self, on: bool = True) -> None:
        """Its converter of volts hangs, or comes back."""
        self._volts_read.frozen = on

    def measure_amps(self) -> float:
        """What its ammeter reads, A; below 0 while a two-quadrant output sinks."""
        amps = self._amps_read.read(self.world.supply_amps)
        # A one-quadrant supply has no negative scale: what flows into it reads 0.
        return amps if self.rating.sink_amps_max else max(0.0, amps)

    def questionable(self) -> int:
        """Bit 0: volts are not regulated, bit 1: amps are not; none while it is off or driven from outside."""
        if not self.port.output_on:
            return 0
        sinks_at_limit = 1 if self.rating.sink_amps_max else 0
        return {"cc": 1, "cv": 2, "unregulated": 3, "driven": sinks_at_limit}.get(self.port.mode, 0)

    def _kept(self, value: float, terms: Terms) -> float:
        return cut(value, step=terms.step) if self.cuts else value

    def _settle(self) -> None:
        """Choose the rate of the ramp so that it arrives after ``settle_s``."""
        if self._manners.settle_s > 0.0:
            port = self.port
            way = abs(port.volts_set - (port.volts_now if port.output_on else 0.0))
            port.slew = way / self._manners.settle_s if way > 0.0 else math.inf
