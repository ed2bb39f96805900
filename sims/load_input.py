"""One input of an electronic load: what is programmed, over a port of the world, and what its own meters read.

Set and read-back have errors of their own. How it is spoken to is the panel's matter.

Not modelled: list, transient and battery-test functions, short function, triggers; with ``settle_s`` only constant
current ramps, at the steady rate that brings it there in that time.
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

OHMS_MIN, OHMS_MAX, OHMS_STEP = 0.05, 10000.0, 0.001
WATTS_STEP = 0.01


@dataclass(frozen=True, slots=True)
class LoadRating:
    """What the label says: volts, amps, watts, and the stated accuracy of volts and amps."""

    volts: Terms
    amps: Terms
    watts_max: float


class LoadInput:
    """Set-points, stops and readings of one input. ``world`` is what hangs on it: the bench, or open terminals."""

    def __init__(self, world: World, rating: LoadRating, *, draw: random.Random, manners: Manners = PLAIN) -> None:
        if world.load is None:
            raise ValueError("the bench has no load to put a panel on")
        self.world, self.port, self.rating, self._manners = world, world.load, rating, manners
        self._volts_set, self._amps_set = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._volts_read, self._amps_read = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self.sense_asked = self.port.remote_sense
        """Four-wire sensing as it is set; whether its leads are on is another matter."""
        self._sense_lost = False
        self.programmed: dict[str, float] = {}
        """As programmed: amps, volts, ohms, watts, the "low" volts of its stop and its "over_amps"."""
        self._asked_on = False
        self.port.resumes = manners.stop == "resumes"
        self.reset()

    def reset(self) -> None:
        """``*RST``: input off, constant current at 0 A, no stops but the over-current one at its highest."""
        port, rating = self.port, self.rating
        self._asked_on = False
        port.input_on = False
        port.function = "cc"
        port.low_volts, port.low_volts_delay_s = 0.0, 0.0
        self.clear_trips()
        self.programmed = {"amps": 0.0, "volts": rating.volts.full, "ohms": OHMS_MAX, "watts": 0.0, "low": 0.0}
        self.programmed["over_amps"] = rating.amps.full
        port.over_amps = rating.amps.full + rating.amps.allowed(rating.amps.full)
        port.amps_set, port.watts_set = 0.0, 0.0
        port.volts_set, port.ohms_set = rating.volts.full, OHMS_MAX
        self.world.changed()

    @property
    def cuts(self) -> bool:
        """Whether what lies between two steps of the grid is cut off, and not rounded."""
        return self._manners.grid == "truncate"

    def put_function(self, function: str) -> None:
        """Choose "cc", "cv", "cr" or "cp"."""
        # A change of function under way would jump through an unknown current; loads open the input for it.
        self._asked_on = False
        self.port.input_on = False
        self.port.function = function
        self.world.changed()

    def put_amps(self, amps: float) -> None:
        """Program constant current, A."""
        self.port.amps_set = self._amps_set.true(self._keep("amps", amps, self.rating.amps.step))
        self._settle()
        self.world.changed()

    def put_volts(self, volts: float) -> None:
        """Program constant volts, V."""
        self.port.volts_set = self._volts_set.true(self._keep("volts", volts, self.rating.volts.step))
        self.world.changed()

    def put_ohms(self, ohms: float) -> None:
        """Program constant resistance, ohm."""
        # The same converter sets the current per volt, so its gain error stands the other way up.
        self.port.ohms_set = self._keep("ohms", ohms, OHMS_STEP) / (1.0 + self._amps_set.gain)
        self.world.changed()

    def put_watts(self, watts: float) -> None:
        """Program constant power, W."""
        self.port.watts_set = self._keep("watts", watts, WATTS_STEP) * (1.0 + self._amps_set.gain)
        self.world.changed()

    def put_low(self, volts: float) -> None:
        """Program the low-volts stop, V; 0 for none."""
        level = self._volts_set.true(self._keep("low", volts, self.rating.volts.step))
        self.port.low_volts = 0.0 if self._manners.stop == "ignored" else level
        self.world.changed()

    def put_low_delay(self, seconds: float) -> None:
        """Program how long volts must stay low, s."""
        self.port.low_volts_delay_s = seconds
        self.world.changed()

    def put_over_amps(self, amps: float) -> None:
        """Program the over-current stop, A."""
        amps = self._keep("over_amps", amps, self.rating.amps.step)
        # A stop at exactly the programmed current must not trip on the setting's own error.
        self.port.over_amps = amps + self.rating.amps.allowed(amps)
        self.world.changed()

    def switch(self, on: bool) -> None:
        """Input on or off. While a stop is latched on is refused with -221, or remembered without a word."""
        port = self.port
        if on and port.stopped and not self._manners.restores_output:
            raise Refusal(-221, "protection tripped; clear it first")
        if on or not (port.watchdog_expired and self._manners.watchdog == "insists"):
            self._asked_on = on
        port.input_on = on and not port.stopped
        self._settle()
        self.world.changed()

    def come_back(self) -> None:
        """On again, if it was last told on: what was programmed survives its watchdog."""
        if self._asked_on:
            self.switch(True)

    def clear_trips(self) -> None:
        """Forget the latched stops; with ``restores_output`` the input is as it was last asked for, at once."""
        self.port.clear_trips()
        if self._manners.restores_output and self._asked_on:
            self.switch(True)

    def put_sense(self, remote: bool) -> None:
        """Measure and regulate at the far ends of the sense leads, or at the terminals."""
        self.sense_asked = remote
        self.port.remote_sense = remote and not self._sense_lost
        self.world.changed()

    def measure_volts(self) -> float:
        """What its voltmeter reads, V."""
        return self._volts_read.read(self.world.volts_at("load_sense" if self.port.remote_sense else "load"))

    def lose_sense(self) -> None:
        """Its sense leads come off: from then on it sees its own terminals."""
        self._sense_lost, self.port.remote_sense = True, False
        self.world.changed()

    def freeze(self, on: bool = True) -> None:
        """Its converter of volts hangs, or comes back."""
        self._volts_read.frozen = on

    def measure_amps(self) -> float:
        """What its ammeter reads, A."""
        return self._amps_read.read(self.world.load_amps)

    def questionable(self) -> int:
        """Bit 0: low-volts stop, 1: over-current stop, 4: too hot; each stays until cleared."""
        port = self.port
        return (
            (1 if port.low_volts_tripped else 0)
            | (2 if port.over_amps_tripped else 0)
            | (16 if port.hot_tripped else 0)
        )

    def _keep(self, name: str, value: float, step: float) -> float:
        """Note what is programmed, on its grid, and hand it back."""
        kept = cut(value, step=step) if self.cuts else value
        self.programmed[name] = kept
        return kept

    def _settle(self) -> None:
        """Choose the rate of the ramp so that it arrives after ``settle_s``."""
        if self._manners.settle_s > 0.0:
            port = self.port
            way = abs(port.amps_set - (port.amps_now if port.input_on else 0.0))
            port.slew = way / self._manners.settle_s if way > 0.0 else math.inf
