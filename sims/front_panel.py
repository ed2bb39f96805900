"""What a person in front of an instrument can do to it: press the local key, turn a knob, switch it off and on.

Not modelled: displays, menus, a knob's single clicks (it is turned to a value at once), lines that drop during a
restart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from sims.local_key import LocalKey
from sims.status import POWER_ON
from sims.talk import Engine

Knob = tuple[Callable[[float], None], float]
"""What turning does, and the highest value."""


class FrontPanel:
    """The front of one instrument, behind which ``engine`` talks to clients. ``reset`` does what ``*RST`` does;
    ``knobs`` are by quantity ("volts", "amps")."""

    def __init__(
        self,
        engine: Engine,
        *,
        reset: Callable[[], None],
        knobs: Mapping[str, Knob] | None = None,
        remote_needed: bool = False,
    ) -> None:
        self.engine, self._reset, self._knobs = engine, reset, knobs or {}
        self.key = LocalKey(engine, remote_needed=remote_needed)

    def restart(self) -> None:
        """Switched off and on again: settings, status and local key as at first."""
        self._reset()
        self.key.restart()
        status = self.engine.status
        status.clear()
        status.event_enable = status.request_enable = 0
        status.operation.preset()
        status.questionable.preset()
        status.event_status = POWER_ON

    def turn(self, quantity: str, text: str) -> str:
        """Turn a knob to a value, V or A; "" or in words why not."""
        if why := self.no_turn(quantity, text):
            return why
        self._knobs[quantity][0](float(text))
        return ""

    def no_turn(self, quantity: str, text: str) -> str:
        """In words why a knob cannot be turned like that; "" when it can."""
        if quantity not in self._knobs:
            return f"it has no knob for {quantity[:20]!r}; it has: {', '.join(self._knobs) or 'none'}"
        _, highest = self._knobs[quantity]
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not 0.0 <= value <= highest:
            return f"{quantity} {text[:20]!r}: the knob goes from 0 to {highest:g}"
        return ""
