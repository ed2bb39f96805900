"""The simulated relay box: several relays in one instrument, each a channel of the route.

``ROUTe:CLOSe (@1)``, ``ROUTe:OPEN (@1)`` and their queries (SCPI-1999 volume 2, ROUTe subsystem). ``ROUTe:OPEN?``
answers the contrary of ``ROUTe:CLOSe?``. ``*RST`` opens all.

Not modelled: see relay.py; ROUTe:SCAN, paths by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sims.message import Command
from sims.program_data import ChannelList
from sims.relay import Relay
from sims.talk import Engine


class RelayBox:
    """``relays`` by channel, from 1 on without a gap. ``engine`` is what clients connect to."""

    def __init__(self, relays: Mapping[int, Relay], *, identity: str, before: Callable[[], None]) -> None:
        self._relays = relays
        which = (ChannelList(least=1, most=len(relays), optional=False),)
        self.engine = Engine(
            identity=identity,
            commands=(
                Command("ROUTe:CLOSe", set=self._close, ask=self._closed, data=which, ask_data=which),
                Command("ROUTe:OPEN", set=self._open, ask=self._opened, data=which, ask_data=which),
                Command("ROUTe:OPEN:ALL", set=self.open_all),
            ),
            before=before,
            reset=self.open_all,
        )

    def _close(self, channels: tuple[int, ...]) -> None:
        for channel in channels:
            self._relays[channel].turn(True)

    def _open(self, channels: tuple[int, ...]) -> None:
        for channel in channels:
            self._relays[channel].turn(False)

    def open_all(self) -> None:
        """Order every relay to open."""
        self._open(tuple(self._relays))

    def _closed(self, channels: tuple[int, ...]) -> str:
        return ",".join("1" if self._relays[channel].position() else "0" for channel in channels)

    def _opened(self, channels: tuple[int, ...]) -> str:
        return ",".join("0" if self._relays[channel].position() else "1" for channel in channels)
