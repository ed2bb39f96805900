"""The simulated digital voltmeter: gain, offset, resolution and noise on the volts at one place.

Not modelled: ranges (it has one), integration time (what it reads is the instant of the query), input resistance,
hum, over-range readings between its range and 120 % of it (beyond it answers SCPI's 9.9E37).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import TYPE_CHECKING

from sims.accuracy import Terms, draw_channel
from sims.message import Command
from sims.program_data import number_text
from sims.talk import Engine

if TYPE_CHECKING:
    from sims.world import World

OVER_RANGE = 1.2


class Meter:
    """A voltmeter wired to ``place`` of the world. ``engine`` is what clients connect to."""

    def __init__(
        self,
        world: World,
        terms: Terms,
        *,
        place: str,
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        self._world, self._place, self._full = world, place, terms.full
        self._read = draw_channel(terms, draw=draw)
        ask = self.measure_volts
        self.engine = Engine(
            identity=identity,
            commands=(Command("MEASure[:SCALar]:VOLTage[:DC]", ask=ask), Command("READ", ask=ask)),
            before=before,
        )

    def measure_volts(self) -> str:
        """The answer to ``MEAS:VOLT:DC?``, V."""
        volts = self._read.read(self._world.volts_at(self._place))
        if abs(volts) > OVER_RANGE * self._full:
            volts = float("inf") if volts > 0 else float("-inf")
        return number_text(volts, decimals=5)
