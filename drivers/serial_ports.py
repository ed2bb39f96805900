"""The serial ports of this machine and what their adapters say of themselves; none is opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port as the system lists it: its device, and vendor, product and serial number of its adapter."""

    device: str
    adapter: tuple[int, int, str] | None = None


def listed_ports() -> tuple[Port, ...]:
    """The serial ports of this machine, by their names; none is opened."""
    from serial.tools import list_ports  # here, because most commands never need it

    return tuple(_port(one) for one in sorted(list_ports.comports(), key=lambda one: str(one.device)))


def _port(one: Any) -> Port:
    if one.vid is None or one.pid is None:
        return Port(str(one.device))
    return Port(str(one.device), (int(one.vid), int(one.pid), str(one.serial_number or "")))
