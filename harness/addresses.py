"""Instrument addresses: VISA resource names (VPP-4.3, section 4.3) and ``sim:SCENARIO/NAME``; one spelling of each.

Two instruments at one address would make a bench measure one thing twice and switch another one off, so an address is
brought to one spelling before it is compared.
"""

from __future__ import annotations

import ipaddress
import os
import re

ACCEPTED = (
    "accepted: a VISA resource name (TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::INSTR, ASRL/dev/ttyUSB0::INSTR, "
    "USB::0x1234::0x5678::SERIAL::INSTR, GPIB0::5::INSTR) or sim:SCENARIO/NAME"
)

_SIM = re.compile(r"sim:([a-z0-9_-]+)/([a-z0-9_-]+)", re.IGNORECASE)
_HEAD = re.compile(r"(TCPIP|USB|GPIB|VXI|PXI)(\d*)", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(.+?)(?:::INSTR)?", re.IGNORECASE)
_LONG_IPV6 = re.compile(r"\[([0-9A-Fa-f:.%]+)\]")


class NotAnAddress(ValueError):
    """``why`` says what is wrong, ``accepted`` what to write."""

    def __init__(self, why: str, accepted: str = ACCEPTED) -> None:
        super().__init__(why)
        self.why = why
        self.accepted = accepted


def simulated(address: str) -> tuple[str, str] | None:
    """(scenario, instrument) of a ``sim:`` address, None for any other."""
    found = _SIM.fullmatch(address.strip())
    return (found[1].lower(), found[2].lower()) if found else None


def normal(address: str) -> str:
    """The one spelling of ``address``, for comparison only: what is opened is what the person wrote.

    Raises NotAnAddress. Two spellings of one instrument by *different* protocols (a socket and HiSLIP at one host)
    stay two addresses: behind one host there may be a gateway with several instruments.
    """
    text = address.strip()
    if sim := simulated(text):
        return f"sim:{sim[0]}/{sim[1]}"
    if text.lower().startswith("sim:"):
        raise NotAnAddress("not of the form sim:SCENARIO/NAME")
    if text.upper().startswith("ASRL"):
        return _normal_serial(text)
    parts = _split(text)
    head = _HEAD.fullmatch(parts[0])
    if head is None:
        raise NotAnAddress(*_guess(text))
    board = int(head[2] or 0)
    interface = head[1].upper()
    if interface == "TCPIP":
        return _normal_tcpip(board, parts[1:])
    if interface == "USB":
        return _normal_usb(board, parts[1:])
    if interface == "GPIB":
        return _normal_gpib(board, parts[1:])
    return f"{interface}{board}::" + "::".join(part.upper() for part in _without_class(parts[1:])) + "::INSTR"


def _split(text: str) -> list[str]:
    """The parts between ``::``; an IPv6 host stands in square brackets and may hold ``::`` itself."""
    hosts: list[str] = []

    def keep(found: re.Match[str]) -> str:
        hosts.append(found[1])
        return f"\0{len(hosts) - 1}"

    parts = _LONG_IPV6.sub(keep, text).split("::")
    return [hosts[int(part[1:])] if part.startswith("\0") else part.strip() for part in parts]


def _guess(text: str) -> tuple[str, str]:
    why = "not a VISA resource name"
    if text.startswith("/dev/"):
        return why, f"write ASRL{text}::INSTR for a serial port"
    if found := re.fullmatch(r"(?:\\\\\.\\)?COM(\d+)", text, re.IGNORECASE):
        return why, f"write ASRL{found[1]}::INSTR for a serial port"
    if found := re.fullmatch(r"([\w.-]+):(\d+)", text):
        return why, f"write TCPIP::{found[1]}::{found[2]}::SOCKET for a socket"
    if re.fullmatch(r"[\w-]+(\.[\w-]+)+", text):
        return why, f"write TCPIP::{text}::INSTR, or TCPIP::{text}::PORT::SOCKET for a socket"
    return why, ACCEPTED


def _without_class(parts: list[str]) -> list[str]:
    rest = parts[:-1] if parts and parts[-1].upper() == "INSTR" else parts
    if not rest or not all(rest):
        raise NotAnAddress("a part between two :: is missing")
    return rest


def _normal_serial(text: str) -> str:
    found = _SERIAL.fullmatch(text)
    port = found[1].strip() if found else ""
    if not port or "::" in port:
        raise NotAnAddress("no serial port after ASRL", "write ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR (COM3)")
    if windows := re.fullmatch(r"(?:\\\\\.\\)?(?:COM)?(\d+)", port, re.IGNORECASE):
        return f"ASRL{int(windows[1])}::INSTR"
    # A port often has several names (by-id, by-path): they are links to one device.
    return f"ASRL{os.path.realpath(port)}::INSTR"


def _normal_host(host: str) -> str:
    name = host.strip().rstrip(".").casefold()
    if not name or any(c.isspace() or c in "/\\" for c in name):
        raise NotAnAddress("the host is missing or no host name")
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return "127.0.0.1" if name in {"localhost", "localhost.localdomain", "ip6-localhost"} else name
    if address.version == 6 and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    # ::1 and 0.0.0.0 reach the same listener as 127.0.0.1 on one machine.
    if address.is_unspecified or address == ipaddress.ip_address("::1"):
        return "127.0.0.1"
    return str(address)


def _normal_tcpip(board: int, parts: list[str]) -> str:
    if len(parts) >= 2 and parts[-1].upper() in {"SOCKET", "RAW"}:
        if len(parts) != 3:
            raise NotAnAddress("a socket needs host and port", "write TCPIP::HOST::PORT::SOCKET")
        return f"TCPIP::{_normal_host(parts[0])}::{_port(parts[1])}::SOCKET"
    rest = _without_class(parts)
    if len(rest) > 2:
        raise NotAnAddress("too many parts", "write TCPIP::HOST::INSTR or TCPIP::HOST::PORT::SOCKET")
    device = rest[1].casefold() if len(rest) == 2 else "inst0"
    if device.isdecimal():
        raise NotAnAddress(f"port {device} without the word SOCKET", f"write TCPIP::{rest[0]}::{device}::SOCKET")
    # The board number of a LAN resource names a network card of this PC, not another instrument.
    return f"TCPIP::{_normal_host(rest[0])}::{device}::INSTR"


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= 65535):
        raise NotAnAddress(f"port {text} is not a number from 1 to 65535", "write TCPIP::HOST::PORT::SOCKET")
    return int(text)


def _number(text: str, name: str) -> int:
    try:
        return int(text, 0)
    except ValueError:
        raise NotAnAddress(f"{name} {text} is not a number") from None


def _normal_usb(board: int, parts: list[str]) -> str:
    rest = _without_class(parts)
    if len(rest) not in (3, 4):
        raise NotAnAddress("needs maker, model and serial number", "write USB::0x1234::0x5678::SERIAL::INSTR")
    maker, model = _number(rest[0], "maker"), _number(rest[1], "model")
    interface = _number(rest[3], "interface") if len(rest) == 4 else 0
    return f"USB{board}::0x{maker:04X}::0x{model:04X}::{rest[2].casefold()}::{interface}::INSTR"


def _normal_gpib(board: int, parts: list[str]) -> str:
    rest = _without_class(parts)
    numbers = [_number(part.lstrip("0") or "0", "address") for part in rest]
    if len(numbers) > 2 or not all(0 <= n <= 126 for n in numbers) or not numbers[0] <= 30:
        raise NotAnAddress("no primary address from 0 to 30", "write GPIB0::5::INSTR")
    return f"GPIB{board}::" + "::".join(str(n) for n in numbers) + "::INSTR"
