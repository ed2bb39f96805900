"""The simulated switch of one circuit: a relay of its own behind ``OUTPut[:STATe]`` (SCPI-1999).

What the query answers is either the order ("command", as of most relays) or where the contacts are ("contacts").
Somebody may also work it by hand, and its contacts may weld: then they stay.

Not modelled: see relay.py.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from sims.agenda import Agenda
from sims.message import setting
from sims.program_data import Boolean
from sims.relay import Relay, SwitchFacts
from sims.talk import Engine

__all__ = ["Switch", "SwitchFacts"]


class Switch(Relay):
    """A relay with an instrument of its own. ``engine`` is what clients connect to."""

    def __init__(
        self,
        facts: SwitchFacts,
        *,
        put: Callable[[bool], None],
        agenda: Agenda,
        now: Callable[[], float],
        identity: str,
        draw: random.Random,
        before: Callable[[], None],
    ) -> None:
        super().__init__(facts, put=put, agenda=agenda, now=now, draw=draw)
        self.engine = Engine(
            identity=identity,
            commands=(setting("OUTPut#[:STATe]", Boolean(), get=self.position, put=self.turn),),
            before=before,
            reset=lambda: self.turn(False),
        )
