"""What can be seen without asking anybody: VISA resources, serial ports, what instruments announce by multicast DNS.

Nothing here opens a line to an instrument. Looking for VISA resources sends one broadcast to the local network (VXI-11,
port mapper of RFC 1833) and a multicast question, as every VISA library does; ``announced`` sends multicast questions
(RFC 6762, RFC 6763).
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

SERVICES = ("_hislip._tcp.local.", "_vxi-11._tcp.local.", "_scpi-raw._tcp.local.", "_lxi._tcp.local.")
"""Service types instruments announce: HiSLIP (IVI-6.1), VXI-11, SCPI over a bare socket, and LXI's own page."""

HISLIP_PORT = 4880
"""Registered for HiSLIP (IVI-6.1, section 2)."""

ANNOUNCED_WAIT_S = 2.0
"""How long answers to a multicast question are waited for, s (judgement)."""


class NotInstalled(RuntimeError):
    """A way of looking that needs a package which is not there; the text says how to get it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """An address, who told of it, and what was told beside it."""

    address: str
    by: str
    words: str = ""

    @property
    def is_serial(self) -> bool:
        """True for a serial port; opening one restarts some instruments."""
        return self.address.upper().startswith("ASRL")


def visa_resources() -> list[Seen]:
    """What VISA lists, by the pure-Python back end. Takes some seconds."""
    import pyvisa

    with warnings.catch_warnings():
        # The back end warns of each package it could use and has not got; nobody can do anything about it here.
        warnings.simplefilter("ignore")
        found = pyvisa.ResourceManager("@py").list_resources("?*")
    # An interface is what instruments are reached through, and none itself.
    return [Seen(str(address), "VISA") for address in found if not str(address).upper().endswith("::INTFC")]


def serial_ports() -> list[Seen]:
    """The machine's serial ports with what the system knows about them."""
    from serial.tools.list_ports import comports

    found = []
    for port in sorted(comports()):
        told = (port.description, port.serial_number)
        words = ", ".join(str(word) for word in told if word and word != "n/a")
        found.append(Seen(f"ASRL{port.device}::INSTR", "serial port", words))
    return found


def announced(
    *, wait_s: float = ANNOUNCED_WAIT_S, services: Sequence[str] = SERVICES, make: Callable[[], Any] | None = None
) -> list[Seen]:
    """What instruments announce on the local network. ``make`` gives the multicast host (default: all interfaces).

    Raises ``NotInstalled`` without the package for it.
    """
    try:
        import zeroconf
    except ImportError as error:
        raise NotInstalled("not looked for: install the extra `nightbench[discover]`") from error
    host = (make or zeroconf.Zeroconf)()
    names: list[tuple[str, str]] = []

    def heard(zeroconf: Any, service_type: str, name: str, state_change: Any) -> None:
        names.append((service_type, name))

    try:
        browser = zeroconf.ServiceBrowser(host, list(services), handlers=[heard], delay=0)
        threading.Event().wait(wait_s)
        browser.cancel()
        found = []
        for service_type, name in dict.fromkeys(names):
            info = host.get_service_info(service_type, name, timeout=round(500 * wait_s))
            if info is not None:
                found += announcement(service_type, name, info.parsed_addresses(), info.port)
        return found
    finally:
        host.close()


def announcement(service_type: str, name: str, hosts: Sequence[str], port: int | None) -> list[Seen]:
    """One announcement as VISA addresses."""
    service = service_type.partition(".")[0]
    words = name.removesuffix("." + service_type)
    found = []
    for host in hosts:
        place = f"[{host}]" if ":" in host else host
        address = {
            "_hislip": f"TCPIP::{place}::hislip0,{port or HISLIP_PORT}::INSTR",
            "_scpi-raw": f"TCPIP::{place}::{port}::SOCKET",
        }.get(service, f"TCPIP::{place}::inst0::INSTR")
        found.append(Seen(address, "mDNS", words))
    return found
