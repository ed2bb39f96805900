"""Where a USB instrument is on Linux just now: read from the kernel's own files. Standard library only."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

ROOT, NODES = "/sys/bus/usb/devices", "/dev/bus/usb"
TMC = ("fe", "03")
"""Class and subclass of an interface of a test and measurement instrument (USBTMC 1.0, 4.3)."""


@dataclass(frozen=True, slots=True)
class Place:
    """The device's file, the number of its interface, its two endpoints, and the bytes of a packet that comes in."""

    node: str
    interface: int
    out: int
    into: int
    packet: int


def find(way: dict[str, Any], *, root: str = ROOT, nodes: str = NODES) -> Place:
    """The one instrument of this maker, model and serial number. Raises ``OSError`` for none and for several."""
    named = f"0x{way['maker']:04X}::0x{way['model']:04X}::{way['serial']}"
    found = [os.path.join(root, one) for one in os.listdir(root) if _is_it(os.path.join(root, one), way)]
    if not found:
        raise FileNotFoundError(f"USB: no device {named} is plugged in")
    if len(found) > 1:
        raise ConnectionError(f"USB: {len(found)} devices say they are {named}")
    bus, number = (int(_word(found[0], what)) for what in ("busnum", "devnum"))
    node = os.path.join(nodes, f"{bus:03d}", f"{number:03d}")
    interfaces = {int(_word(one, "bInterfaceNumber"), 16): one for one in _interfaces(found[0])}
    if not interfaces:
        raise ConnectionError(f"USB: {named} has no interface for test and measurement (USBTMC)")
    # 0 is what an address says that names none.
    chosen = way["interface"] if way["interface"] in interfaces or way["interface"] else min(interfaces)
    if chosen not in interfaces:
        raise ConnectionError(f"USB: {named} has no interface {chosen} for test and measurement (USBTMC)")
    return _place(node, chosen, interfaces[chosen])


def _is_it(place: str, way: dict[str, Any]) -> bool:
    with suppress(OSError, ValueError):
        numbers = (int(_word(place, "idVendor"), 16), int(_word(place, "idProduct"), 16))
        return numbers == (way["maker"], way["model"]) and _word(place, "serial").casefold() == way["serial"].casefold()
    return False


def _interfaces(device: str) -> list[str]:
    found = []
    for one in os.listdir(device):
        place = os.path.join(device, one)
        with suppress(OSError):
            if (_word(place, "bInterfaceClass"), _word(place, "bInterfaceSubClass")) == TMC:
                found.append(place)
    return found


def _place(node: str, number: int, interface: str) -> Place:
    into = out = packet = 0
    for one in os.listdir(interface):
        place = os.path.join(interface, one)
        if not one.startswith("ep_") or _word(place, "type") != "Bulk":
            continue
        endpoint = int(_word(place, "bEndpointAddress"), 16)
        if endpoint & 0x80:
            into, packet = endpoint, int(_word(place, "wMaxPacketSize"), 16) & 0x7FF
        else:
            out = endpoint
    if not (into and out and packet):
        raise ConnectionError(f"USB: {node}: interface {number} has not two bulk endpoints")
    return Place(node, number, out, into, packet)


def _word(place: str, what: str) -> str:
    with open(os.path.join(place, what), encoding="utf-8", errors="replace") as file:
        return file.read().strip()
