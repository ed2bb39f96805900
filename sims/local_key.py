"""Remote and local state of an instrument: who may set it, the wire or the person in front of it.

SYSTem:REMote and SYSTem:LOCal are customary on lines that have no control wire for it (common practice, no source).
In local state what sets is refused with -201, "Invalid while in local" (SCPI-1999 volume 2, 21.8.9, from memory);
queries are answered, and common commands but ``*RST`` are carried out.

Not modelled: local lock-out; a front panel that is dead in remote state: keys and knobs always work.
"""

from __future__ import annotations

from sims.headers import Refusal
from sims.message import Command
from sims.talk import Engine

INVALID_WHILE_IN_LOCAL = -201

REMOTE, LOCAL = "SYSTem:REMote", "SYSTem:LOCal"


class LocalKey:
    """``remote`` is True while the wire may set things. With ``remote_needed`` the instrument wakes up in local.

    Adds the commands that change and tell the state to ``engine``, and guards it.
    """

    def __init__(self, engine: Engine, *, remote_needed: bool = False) -> None:
        self._needed = remote_needed
        self.remote = not remote_needed
        engine.add(
            Command(REMOTE, set=self._go_remote, ask=lambda: "1" if self.remote else "0"),
            Command(LOCAL, set=self.press),
        )
        engine.guard = self._check

    def press(self) -> None:
        """Somebody presses the local key."""
        self.remote = False

    def restart(self) -> None:
        """The instrument has just been switched on."""
        self.remote = not self._needed

    def _go_remote(self) -> None:
        self.remote = True

    def _check(self, command: Command, query: bool) -> None:
        """Refuse what sets in local state."""
        if self.remote or query or command.header in (REMOTE, LOCAL):
            return
        if command.header == "*RST" or not command.header.startswith("*"):
            raise Refusal(INVALID_WHILE_IN_LOCAL, f"{REMOTE} first")
