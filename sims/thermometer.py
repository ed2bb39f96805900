"""The simulated thermometer: a probe that follows with a first-order lag, then offset, resolution and noise.

Between two looks at the bench the place's temperature is taken as a straight line, for which the lag is solved
exactly (an exponential), so that how often somebody asks hardly changes what the probe reads.

Not modelled: heat the probe carries away, self-heating of the sensor, open or shorted probes, linearisation.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from sims.accuracy import Terms, draw_channel
from sims.lug import Lug
from sims.message import Command
from sims.program_data import number_text
from sims.talk import Engine

if TYPE_CHECKING:
    from sims.world import World


class Thermometer:
    """A probe at ``place`` of the world ("lug": the one at the pack) with time constant ``lag_s``.

    ``engine`` is what clients connect to.
    """

    def __init__(
        self,
        world: World,
        terms: Terms,
        *,
        place: str,
        lag_s: float,
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        self._world, self._lag_s = world, lag_s
        self._there: Callable[[], float] = Lug(world).temp_c if place == "lug" else partial(world.temp_c, place)
        self._read = draw_channel(terms, draw=draw)
        self._t = world.t
        self._place_c = self.probe_c = self._there()
        self.engine = Engine(
            identity=identity,
            commands=(Command("MEASure[:SCALar]:TEMPerature", ask=self.measure_temp_c, unit="Cel"),),
            before=before,
        )

    def follow(self) -> None:
        """Bring the probe up to the world's time; the bench calls this whenever time has passed."""
        passed = self._world.t - self._t
        if passed <= 0.0:
            return
        now_c = self._there()
        slope = (now_c - self._place_c) / passed
        # Response to a ramp: behind it by slope x lag, plus what is left of the old distance.
        behind = self.probe_c - self._place_c + slope * self._lag_s
        self.probe_c = now_c - slope * self._lag_s + behind * math.exp(-passed / self._lag_s)
        self._t, self._place_c = self._world.t, now_c

    def freeze(self, on: bool = True) -> None:
        """Its converter hangs, or comes back."""
        self._read.frozen = on

    def measure_temp_c(self) -> str:
        """The answer to ``MEAS:TEMP?``, degrees Celsius."""
        return number_text(self._read.read(self.probe_c), decimals=2)
