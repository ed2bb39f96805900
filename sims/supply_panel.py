"""The simulated DC supply as a client sees it: a command tree over the port of the world.

Set and read-back have errors of their own. The headers follow SCPI-1999 (SOURce, OUTPut, MEASure, STATus subsystems);
``VOLTage:PROTection:TRIPped?`` and ``:CLEar`` are SCPI's, ``CURRent:PROTection:STATe`` too. STATus:QUEStionable bit 0
says that volts are not regulated (constant current), bit 1 that amps are not (constant volts); both clear: output off,
or driven by something else on its terminals.

Not modelled: start-up time, command response time, list and trigger subsystems, parallel and series operation,
front-panel keys. Sense terminals are always wired; SENSe:REMote chooses whether they are used. The sense setting is
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
from sims.program_data import Boolean, Number, number_text
from sims.talk import Engine

if TYPE_CHECKING:
    from sims.world import World


@dataclass(frozen=True, slots=True)
class SupplyRating:
    """What the label says: volts, amps, highest over-volts level, and the stated accuracy of each quantity."""

    volts: Terms
    amps: Terms
    over_volts_max: float


class SupplyPanel:
    """State behind the supply's front panel. ``engine`` is what clients connect to."""

    def __init__(
        self,
        world: World,
        rating: SupplyRating,
        *,
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        if world.supply is None:
            raise ValueError("the bench has no supply to put a panel on")
        self._world, self._port, self._rating = world, world.supply, rating
        self._volts_set, self._amps_set = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._volts_read, self._amps_read = (draw_channel(terms, draw=draw) for terms in (rating.volts, rating.amps))
        self._volts = self._amps = 0.0
        self._over_volts = rating.over_volts_max
        self.reset()
        self.engine = Engine(
            identity=identity,
            commands=self._commands(),
            before=before,
            reset=self.reset,
            questionable=self._questionable,
        )

    def reset(self) -> None:
        """``*RST``: output off, nothing programmed, over-volts stop at its highest, over-current stop off."""
        port = self._port
        port.output_on = False
        port.over_amps_enabled = False
        self._clear_trips()
        self._put_volts(0.0)
        self._put_amps(0.0)
        self._put_over_volts(self._rating.over_volts_max)

    def _commands(self) -> tuple[Command, ...]:
        port, rating = self._port, self._rating
        volts = Number(0.0, rating.volts.full, 0.0, "V", rating.volts.step)
        amps = Number(0.0, rating.amps.full, 0.0, "A", rating.amps.step)
        over = Number(0.0, rating.over_volts_max, rating.over_volts_max, "V", rating.volts.step)
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        return (
            setting("[SOURce]:VOLTage" + tail, volts, get=lambda: self._volts, put=self._put_volts),
            setting("[SOURce]:CURRent" + tail, amps, get=lambda: self._amps, put=self._put_amps),
            setting("OUTPut#[:STATe]", Boolean(), get=lambda: port.output_on, put=self._switch),
            Command("MEASure[:SCALar]:VOLTage[:DC]", ask=self._measure_volts),
            Command("MEASure[:SCALar]:CURRent[:DC]", ask=self._measure_amps),
            setting(
                "[SOURce]:VOLTage:PROTection[:LEVel]", over, get=lambda: self._over_volts, put=self._put_over_volts
            ),
            Command("[SOURce]:VOLTage:PROTection:TRIPped", ask=lambda: "1" if port.over_volts_tripped else "0"),
            Command("[SOURce]:VOLTage:PROTection:CLEar", set=self._clear_trips),
            setting(
                "[SOURce]:CURRent:PROTection:STATe",
                Boolean(),
                get=lambda: port.over_amps_enabled,
                put=self._enable_over_amps,
            ),
            Command("[SOURce]:CURRent:PROTection:TRIPped", ask=lambda: "1" if port.over_amps_tripped else "0"),
            Command("[SOURce]:CURRent:PROTection:CLEar", set=self._clear_trips),
            setting("SENSe:REMote[:STATe]", Boolean(), get=lambda: port.remote_sense, put=self._sense),
        )

    def _put_volts(self, volts: float) -> None:
        self._volts = volts
        self._port.volts_set = self._volts_set.true(volts)
        self._world.changed()

    def _put_amps(self, amps: float) -> None:
        self._amps = amps
        self._port.amps_set = self._amps_set.true(amps)
        self._world.changed()

    def _put_over_volts(self, volts: float) -> None:
        self._over_volts = volts
        self._port.over_volts = self._volts_set.true(volts)
        self._world.changed()

    def _enable_over_amps(self, on: bool) -> None:
        self._port.over_amps_enabled = on
        self._world.changed()

    def _switch(self, on: bool) -> None:
        if on and (self._port.over_volts_tripped or self._port.over_amps_tripped):
            raise Refusal(-221, "protection tripped; clear it first")
        self._port.output_on = on
        self._world.changed()

    def _clear_trips(self) -> None:
        self._port.clear_trips()

    def _sense(self, remote: bool) -> None:
        self._port.remote_sense = remote
        self._world.changed()

    def _measure_volts(self) -> str:
        place = "supply_sense" if self._port.remote_sense else "supply"
        return number_text(max(0.0, self._volts_read.read(self._world.volts_at(place))), decimals=4)

    def _measure_amps(self) -> str:
        # A one-quadrant supply has no negative scale: what flows into it reads 0.
        return number_text(max(0.0, self._amps_read.read(self._world.supply_amps)), decimals=4)

    def _questionable(self) -> int:
        if not self._port.output_on:
            return 0
        return {"cc": 1, "cv": 2, "unregulated": 3}.get(self._port.mode, 0)
