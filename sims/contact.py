"""The simulated contact input: what it answers is the contact as it has been for longer than the debouncing time.

The header is ours, in the form of SCPI-1999, which has none for contacts.

Not modelled: the bounce itself, a broken wire, latching inputs, counters.
"""

from __future__ import annotations

from collections.abc import Callable

from sims.message import Command
from sims.talk import Engine
from sims.watching import Watched


class Contact:
    """An input wired to one fact of the bench: closed while it is so. ``engine`` is what clients connect to."""

    def __init__(
        self, watched: Watched, *, now: Callable[[], float], identity: str, before: Callable[[], None]
    ) -> None:
        self._watched, self._now = watched, now
        self.engine = Engine(
            identity=identity,
            commands=(Command("SENSe:CONTact:CLOSed", ask=lambda: "1" if self.closed() else "0"),),
            before=before,
        )

    def closed(self) -> bool:
        """What the input says now."""
        return self._watched.follow(self._now())
