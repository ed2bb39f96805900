"""The simulated electronic load as a client sees it: a command tree over the port of the world.

Set and read-back have errors of their own. SCPI-1999 has no class of its own for loads; the nodes are SCPI's (INPut,
FUNCtion, CURRent, PROTection). The low-volts stop (``VOLTage:PROTection:LOW``) opens the input when its terminals stay
below the level for the delay, and stays open. STATus:QUEStionable bit 0: low-volts stop, 1: over-current stop,
4: too hot; each stays until cleared.

Not modelled: list, transient and battery-test functions, short function, triggers, slew in A/us. The sense setting is
kept through ``*RST``, as a rear-panel switch would be.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sims.accuracy import Terms, draw_channel
from sims.headers import Refusal
from sims.message import Command, setting
from sims.program_data import Boolean, Choice, Number, number_text
from sims.talk import Engine

if TYPE_CHECKING:
    from sims.world import World

FUNCTIONS = {"CURR": "cc", "VOLT": "cv", "RES": "cr", "POW": "cp"}

OHMS_MIN, OHMS_MAX = 0.05, 10000.0
LOW_DELAY_MAX_S = 60.0


@dataclass(frozen=True, slots=True)
class LoadRating:
    """What the label says: volts, amps, watts, and the stated accuracy of volts and amps."""

    volts: Terms
    amps: Terms
    watts_max: float


class LoadPanel:
    """State behind the load's front panel. ``engine`` is what clients connect to."""

    def __init__(
        self,
        world: World,
        rating: LoadRating,
        *,
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        if world.load is None:
            raise ValueError("the bench has no load to put a panel on")
        self._world, self._port, self._rating = world, world.load, rating
        self._volts_set, self._amps_set = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._volts_read, self._amps_read = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._set: dict[str, float] = {}
        self.reset()
        self.engine = Engine(
            identity=identity,
            commands=self._commands(),
            before=before,
            reset=self.reset,
            questionable=self._questionable,
        )

    def reset(self) -> None:
        """``*RST``: input off, constant current at 0 A, no stops but the over-current one at its highest."""
        port = self._port
        port.input_on = False
        port.function = "cc"
        port.low_volts, port.low_volts_delay_s = 0.0, 0.0
        self._clear_trips()
        self._set = {"amps": 0.0, "volts": self._rating.volts.full, "ohms": OHMS_MAX, "watts": 0.0, "low": 0.0}
        self._set["over_amps"] = self._rating.amps.full
        port.over_amps = self._rating.amps.full + self._rating.amps.allowed(self._rating.amps.full)
        port.amps_set, port.watts_set = 0.0, 0.0
        port.volts_set, port.ohms_set = self._rating.volts.full, OHMS_MAX
        self._world.changed()

    def _commands(self) -> tuple[Command, ...]:
        port, rating, tail = self._port, self._rating, "[:LEVel][:IMMediate][:AMPLitude]"
        volts = Number(0.0, rating.volts.full, rating.volts.full, "V", rating.volts.step)
        amps = Number(0.0, rating.amps.full, 0.0, "A", rating.amps.step)
        ohms = Number(OHMS_MIN, OHMS_MAX, OHMS_MAX, "OHM", 0.001)
        watts = Number(0.0, rating.watts_max, 0.0, "W", 0.01)
        none = Number(0.0, rating.volts.full, 0.0, "V", rating.volts.step)
        delay = Number(0.0, LOW_DELAY_MAX_S, 0.0, "S", 0.001)
        over = Number(0.0, rating.amps.full, rating.amps.full, "A", rating.amps.step)
        low = "[SOURce]:VOLTage:PROTection:LOW"
        return (
            setting("INPut#[:STATe]", Boolean(), get=lambda: port.input_on, put=self._switch),
            setting(
                "[SOURce]:FUNCtion[:MODE]",
                Choice(("CURRent", "VOLTage", "RESistance", "POWer")),
                get=lambda: next(word for word, function in FUNCTIONS.items() if function == port.function),
                put=self._put_function,
            ),
            setting("[SOURce]:CURRent" + tail, amps, get=lambda: self._set["amps"], put=self._put_amps),
            setting("[SOURce]:VOLTage" + tail, volts, get=lambda: self._set["volts"], put=self._put_volts),
            setting("[SOURce]:RESistance" + tail, ohms, get=lambda: self._set["ohms"], put=self._put_ohms),
            setting("[SOURce]:POWer" + tail, watts, get=lambda: self._set["watts"], put=self._put_watts),
            Command("MEASure[:SCALar]:VOLTage[:DC]", ask=self._measure_volts),
            Command("MEASure[:SCALar]:CURRent[:DC]", ask=self._measure_amps),
            setting(low + "[:LEVel]", none, get=lambda: self._set["low"], put=self._put_low),
            setting(low + ":DELay", delay, get=lambda: port.low_volts_delay_s, put=self._put_low_delay),
            Command(low + ":TRIPped", ask=lambda: "1" if port.low_volts_tripped else "0"),
            Command("[SOURce]:VOLTage:PROTection:CLEar", set=self._clear_trips),
            setting(
                "[SOURce]:CURRent:PROTection[:LEVel]", over, get=lambda: self._set["over_amps"], put=self._put_over_amps
            ),
            Command("[SOURce]:CURRent:PROTection:TRIPped", ask=lambda: "1" if port.over_amps_tripped else "0"),
            setting("SENSe:REMote[:STATe]", Boolean(), get=lambda: port.remote_sense, put=self._sense),
        )

    def _put_function(self, word: str) -> None:
        # A change of function under way would jump through an unknown current; loads open the input for it.
        self._port.input_on = False
        self._port.function = FUNCTIONS[word]
        self._world.changed()

    def _put_amps(self, amps: float) -> None:
        self._set["amps"], self._port.amps_set = amps, self._amps_set.true(amps)
        self._world.changed()

    def _put_volts(self, volts: float) -> None:
        self._set["volts"], self._port.volts_set = volts, self._volts_set.true(volts)
        self._world.changed()

    def _put_ohms(self, ohms: float) -> None:
        # The same converter sets the current per volt, so its gain error stands the other way up.
        self._set["ohms"], self._port.ohms_set = ohms, ohms / (1.0 + self._amps_set.gain)
        self._world.changed()

    def _put_watts(self, watts: float) -> None:
        self._set["watts"], self._port.watts_set = watts, watts * (1.0 + self._amps_set.gain)
        self._world.changed()

    def _put_low(self, volts: float) -> None:
        self._set["low"], self._port.low_volts = volts, self._volts_set.true(volts)
        self._world.changed()

    def _put_low_delay(self, seconds: float) -> None:
        self._port.low_volts_delay_s = seconds
        self._world.changed()

    def _put_over_amps(self, amps: float) -> None:
        # A stop at exactly the programmed current must not trip on the setting's own error.
        self._set["over_amps"], self._port.over_amps = amps, amps + self._rating.amps.allowed(amps)
        self._world.changed()

    def _switch(self, on: bool) -> None:
        port = self._port
        if on and (port.low_volts_tripped or port.hot_tripped or port.over_amps_tripped):
            raise Refusal(-221, "protection tripped; clear it first")
        port.input_on = on
        self._world.changed()

    def _clear_trips(self) -> None:
        self._port.clear_trips()

    def _sense(self, remote: bool) -> None:
        self._port.remote_sense = remote
        self._world.changed()

    def _measure_volts(self) -> str:
        place = "load_sense" if self._port.remote_sense else "load"
        return number_text(self._volts_read.read(self._world.volts_at(place)), decimals=4)

    def _measure_amps(self) -> str:
        return number_text(self._amps_read.read(self._world.load_amps), decimals=4)

    def _questionable(self) -> int:
        port = self._port
        return (
            (1 if port.low_volts_tripped else 0)
            | (2 if port.over_amps_tripped else 0)
            | (16 if port.hot_tripped else 0)
        )
