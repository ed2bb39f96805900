"""How the guard reaches an instrument: from the bench file alone whether it can, and with a session the way itself."""

from __future__ import annotations

import os
import platform
import re
import socket
from typing import Any

from drivers.session import Session
from drivers.wire_serial import SerialLine, port_name
from harness.addresses import NotAnAddress, normal, simulated
from harness.guard_usb_place import find

HISLIP_PORT = 4880
"""IVI-6.1."""

MACHINES = ("x86", "i386", "i686", "amd64", "AMD64", "arm", "aarch64", "riscv")
"""Where the numbers of the calls of ``guard_usb.py`` hold."""

SOCKET = "give it its socket, TCPIP::HOST::PORT::SOCKET, port in its manual"
STAY = "stay with this run (without --unattended)"
LAN_OR_USB = "give it its address on the LAN or USB if it has one"


class NotReachable(ValueError):
    """The guard has no line of its own to this instrument; why."""


def out_of_reach(address: str) -> str:
    """Why the guard has no line to what is at ``address``, with the cheapest thing that would mend it; "" where it
    has one, as far as the address tells. Talks to nothing."""
    if simulated(address) is not None:
        return ""
    try:
        spelled = normal(address)
    except NotAnAddress:
        return ""  # refused by its own words
    if spelled.startswith(("ASRL", "TCPIP")):
        return ""
    usb = spelled.startswith("USB")
    if usb and platform.system() == "Linux" and platform.machine().startswith(MACHINES):
        return ""
    return _REMEDY["usb" if usb else "gpib"]


_REMEDY = {
    "usb": f"the guard does not speak USBTMC on this computer, and cannot switch it off: {SOCKET}; else {STAY}",
    "gpib": f"the guard does not reach this bus, and cannot switch it off: {LAN_OR_USB}; else {STAY}",
}
"""By kind of line; kinds that are not in it are reached."""


def way_of(session: Session) -> dict[str, Any]:
    """How a line to the instrument is opened. Raises ``NotReachable``."""
    wire = session.wire
    way: dict[str, Any] = {
        "terminator": wire.terminator.hex(),
        "gap_s": wire.gap_s,
        "echo": wire.echo,
        "pace_s": wire.pace_s,
        "boot_s": wire.boot_s,
    }
    if why := out_of_reach(wire.address):
        raise NotReachable(why)
    address = normal(wire.address)
    if address.startswith("ASRL"):
        return way | _serial_way(wire.address, getattr(wire, "serial_line", SerialLine()))
    if found := re.fullmatch(r"TCPIP::(.+)::(\d+)::SOCKET", address):
        return way | {"kind": "tcp", "host": _resolved(found[1]), "port": int(found[2]), "shared": True}
    if found := re.fullmatch(r"TCPIP::(.+)::(hislip\w*(?:,(\d+))?)::INSTR", address):
        host, port = _resolved(found[1]), int(found[3] or HISLIP_PORT)
        device = _as_written(found[2], wire.address).partition(",")[0]
        return way | {"kind": "hislip", "host": host, "port": port, "device": device, "shared": True}
    if found := re.fullmatch(r"TCPIP::([^,]+)(?:,(\d+))?::(.+)::INSTR", address):
        host, port, device = _resolved(found[1]), int(found[2] or 0), _as_written(found[3], wire.address)
        return way | {"kind": "vxi11", "host": host, "port": port, "device": device, "shared": True}
    if found := re.fullmatch(r"USB\d*::0x(\w+)::0x(\w+)::(.+)::(\d+)::INSTR", address):
        return way | _usb_way(*found.groups())
    raise NotReachable("the guard has no line to such an address, and cannot switch it off")


def _as_written(device: str, address: str) -> str:
    """What a device is called behind its host: capitals may matter there, and are gone from the one spelling."""
    return next((one.strip() for one in address.split("::") if one.strip().casefold() == device), device)


def _usb_way(maker: str, model: str, serial: str, interface: str) -> dict[str, Any]:
    """It must be there now, and this user must have the right to it; how it answers is seen when the guard is made to
    act."""
    way = {"maker": int(maker, 16), "model": int(model, 16), "serial": serial, "interface": int(interface)}
    try:
        node = find(way).node
    except OSError as error:
        raise NotReachable(f"{error}; the guard cannot switch it off") from error
    if not os.access(node, os.R_OK | os.W_OK):
        raise NotReachable(f"no right to {node}, and the guard cannot switch it off: a udev rule must give it to you")
    return {"kind": "usb", "shared": False} | way


def _serial_way(address: str, line: SerialLine) -> dict[str, Any]:
    try:
        import termios
    except ImportError as error:
        raise NotReachable("no serial ports for the guard on this system") from error
    if not hasattr(termios, f"B{line.baud}"):
        raise NotReachable(f"{line.baud} bit/s is no speed the guard can set")
    if line.parity in ("mark", "space") or line.stop_bits == 1.5 or line.flow == "dtr_dsr":
        raise NotReachable(f"parity {line.parity}, {line.stop_bits:g} stop bits, flow {line.flow}: not all can be set")
    return {
        "kind": "serial",
        # By the name in the bench file: what a name by adapter points to may change while the run goes on.
        "device": port_name(address),
        "baud": line.baud,
        "data_bits": line.data_bits,
        "parity": line.parity,
        "stop_bits": line.stop_bits,
        "flow": line.flow,
        "shared": False,
    }


def _resolved(host: str) -> str:
    """The number behind a name: whoever tells names may be gone when it matters."""
    try:
        return str(socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)[0][4][0])
    except (OSError, UnicodeError) as error:
        raise NotReachable(f"host {host} is not known: {error}") from error
