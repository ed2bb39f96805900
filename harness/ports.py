"""Serial ports and their names: which name stays with one instrument, and which may be given to another tomorrow."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from drivers.serial_ports import Port, listed_ports
from harness.instrument_entry import InstrumentEntry

_NUMBERED = re.compile(r"(?:.*/tty(?:USB|ACM|S)\d+|(?:COM)?\d+)", re.IGNORECASE)
"""Names given out in the order of plugging in."""


def port_of(address: str) -> str | None:
    """The port in a VISA address; ``None`` for an address that is no serial port."""
    found = re.fullmatch(r"ASRL(.+?)(?:::INSTR)?", address.strip(), re.IGNORECASE)
    return found[1] if found else None


@dataclass(slots=True)
class Newcomers:
    """Serial ports that were not there when the bench was opened: where one that was pulled out may have come back.
    Ports that were there belong to somebody else, and opening one may restart what hangs on it."""

    ports: Callable[[], Iterable[Port]] = listed_ports
    _known: frozenset[str] | None = None

    def begin(self) -> None:
        """The ports there are now are nobody's newcomers."""
        self._known = frozenset(port.device for port in self.ports())

    def addresses(self) -> list[str]:
        """VISA resource names of the new ones; none before ``begin``."""
        if self._known is None:
            return []
        return [f"ASRL{port.device}::INSTR" for port in self.ports() if port.device not in self._known]


def uncertain(
    instruments: Sequence[InstrumentEntry], *, ports: Callable[[], Iterable[Port]] = listed_ports
) -> str | None:
    """Words when nobody can tell two serial instruments of a bench apart, else ``None``.

    A port that is named by number may be another one after the next start, and so may one that is named by its
    adapter when two adapters carry the same serial number. An identity in the bench file settles it.
    """
    serial = [(entry, port) for entry in instruments if (port := port_of(entry.address)) is not None]
    if len({port for _, port in serial}) < 2:
        return None
    same = _alike(ports())
    for entry, port in serial:
        if entry.identity or "/by-path/" in port:
            continue
        if _NUMBERED.fullmatch(port):
            why = f"{port} may be another port after the next start"
        elif "/by-id/" in port and same:
            why = f"adapters at {' and '.join(same)} carry the same serial number, so {port} may be either"
        else:
            continue
        return (
            f'instrument "{entry.name}": address = {entry.address}: {why}; write identity = "a part of its answer to '
            '*IDN?", or the name of the port below /dev/serial/by-path'
        )
    return None


def _alike(ports: Iterable[Port]) -> list[str]:
    """Devices whose adapters cannot be told apart."""
    known = [port for port in ports if port.adapter is not None]
    count = Counter(port.adapter for port in known)
    return [port.device for port in known if count[port.adapter] > 1]
