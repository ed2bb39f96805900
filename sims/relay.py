"""One relay: an order, and contacts that follow some milliseconds later, unless they have welded.

Not modelled: bounce, arcs and wear, the coil's own supply, switching at the zero crossing of the mains.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from sims.agenda import Agenda


@dataclass(frozen=True, slots=True)
class SwitchFacts:
    """How long its contacts take (drawn anew for each move), s, and what it answers: "command" or "contacts"."""

    delay_min_s: float = 0.005
    delay_max_s: float = 0.020
    answers: str = "command"


class Relay:
    """``put(closed)`` is called when the contacts arrive."""

    def __init__(
        self,
        facts: SwitchFacts,
        *,
        put: Callable[[bool], None],
        agenda: Agenda,
        now: Callable[[], float],
        draw: random.Random,
    ) -> None:
        self._facts, self._put, self._agenda, self._now, self._draw = facts, put, agenda, now, draw
        self._orders = 0
        self.told = False
        """The last order."""
        self.closed = False
        """Where the contacts are."""
        self.welded = False
        """The contacts do not move any more."""

    def turn(self, on: bool) -> None:
        """Order the contacts to close or open; an order that comes before they moved takes the place of the last."""
        self.told = on
        self._orders += 1
        number = self._orders
        delay_s = self._draw.uniform(self._facts.delay_min_s, self._facts.delay_max_s)
        self._agenda.put(self._now() + delay_s, lambda: self._arrive(on, number))

    def position(self) -> bool:
        """What a query is answered: the order, or where the contacts are."""
        return self.closed if self._facts.answers == "contacts" else self.told

    def _arrive(self, on: bool, number: int) -> None:
        if number == self._orders and on != self.closed and not self.welded:
            self.closed = on
            self._put(on)
