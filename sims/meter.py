"""The simulated digital voltmeter: gain, offset, resolution and noise on the volts at one place, or across a shunt.

Not modelled: ranges (it has one), integration time (what it reads is the instant of the query), input resistance,
hum, over-range readings between its range and 120 % of it (beyond it answers SCPI's 9.9E37).
"""

from __future__ import annotations

import random
from collections.abc import Callable

from sims.accuracy import Terms, draw_channel
from sims.message import Command
from sims.program_data import number_text
from sims.talk import Engine

OVER_RANGE = 1.2


class Meter:
    """A voltmeter; ``volts`` tells the true ones, V. ``engine`` is what clients connect to."""

    def __init__(
        self,
        volts: Callable[[], float],
        terms: Terms,
        *,
        decimals: int = 5,
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        self._volts, self._full, self._decimals = volts, terms.full, decimals
        self._read = draw_channel(terms, draw=draw)
        ask = self.measure_volts
        self.engine = Engine(
            identity=identity,
            commands=(Command("MEASure[:SCALar]:VOLTage[:DC]", ask=ask, unit="V"), Command("READ", ask=ask, unit="V")),
            before=before,
        )

    def freeze(self, on: bool = True) -> None:
        """Its converter hangs, or comes back."""
        self._read.frozen = on

    def measure_volts(self) -> str:
        """The answer to ``MEAS:VOLT:DC?``, V."""
        volts = self._read.read(self._volts())
        if abs(volts) > OVER_RANGE * self._full:
            volts = float("inf") if volts > 0 else float("-inf")
        return number_text(volts, decimals=self._decimals)
