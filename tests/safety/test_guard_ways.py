"""How the guard reaches an instrument: by its address, and by what its line is set to. Each value by hand."""

from __future__ import annotations

import builtins
import socket
import termios
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.wire_serial import SerialLine
from harness import guard_ways
from harness.guard_ways import NotReachable, out_of_reach, way_of

PLAIN: dict[str, Any] = {"terminator": "0d0a", "gap_s": 0.05, "echo": True, "pace_s": 0.1, "boot_s": 2.0}


def session(address: str, **more: Any) -> Any:
    line = {"terminator": b"\r\n", "gap_s": 0.05, "echo": True, "pace_s": 0.1, "boot_s": 2.0}
    return SimpleNamespace(wire=SimpleNamespace(address=address, **line, **more))


@pytest.fixture(autouse=True)
def _by_number(monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = {"psu.example": "192.0.2.7", "192.0.2.1": "192.0.2.1"}

    def found(host: str, port: None, *, type: int) -> list[Any]:
        assert (port, type) == (None, socket.SOCK_STREAM)
        if host not in numbers:
            raise OSError("no such name")
        return [(2, 1, 6, "", (numbers[host], 0)), (2, 1, 6, "", ("198.51.100.9", 0))]

    monkeypatch.setattr(guard_ways.socket, "getaddrinfo", found)


@pytest.mark.parametrize(
    ("address", "way"),
    [
        ("TCPIP::192.0.2.1::5025::SOCKET", {"kind": "tcp", "host": "192.0.2.1", "port": 5025}),
        ("tcpip0::psu.example::5025::socket", {"kind": "tcp", "host": "192.0.2.7", "port": 5025}),
        ("TCPIP::192.0.2.1::hislip0::INSTR",
         {"kind": "hislip", "host": "192.0.2.1", "port": 4880, "device": "hislip0"}),
        ("TCPIP::192.0.2.1::hislip2,4881::INSTR",
         {"kind": "hislip", "host": "192.0.2.1", "port": 4881, "device": "hislip2"}),
        ("TCPIP::192.0.2.1::INSTR", {"kind": "vxi11", "host": "192.0.2.1", "port": 0, "device": "inst0"}),
        ("TCPIP::psu.example,1024::inst1::INSTR",
         {"kind": "vxi11", "host": "192.0.2.7", "port": 1024, "device": "inst1"}),
        ("TCPIP::192.0.2.1::HiSLIP2,4881::INSTR",
         {"kind": "hislip", "host": "192.0.2.1", "port": 4881, "device": "HiSLIP2"}),
        ("TCPIP::192.0.2.1:: PSU_B ::INSTR", {"kind": "vxi11", "host": "192.0.2.1", "port": 0, "device": "PSU_B"}),
        ("TCPIP::192.0.2.1::gpib0,5::INSTR", {"kind": "vxi11", "host": "192.0.2.1", "port": 0, "device": "gpib0,5"}),
    ],
)  # fmt: skip
def test_over_the_lan(address: str, way: dict[str, Any]) -> None:
    assert out_of_reach(address) == ""
    assert way_of(session(address)) == PLAIN | way | {"shared": True}


def test_a_host_that_is_not_known() -> None:
    with pytest.raises(NotReachable, match=r"host nobody\.example is not known: no such name"):
        way_of(session("TCPIP::nobody.example::5025::SOCKET"))


def test_a_host_that_can_be_none(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any, **__: Any) -> None:
        raise UnicodeError("label too long")

    monkeypatch.setattr(guard_ways.socket, "getaddrinfo", refused)
    with pytest.raises(NotReachable, match="is not known: label too long"):
        way_of(session("TCPIP::nobody.example::5025::SOCKET"))


# -- serial ports ------------------------------------------------------------------------------------------------------

SERIAL = {"kind": "serial", "device": "/dev/ttyUSB0", "baud": 9600, "data_bits": 8, "parity": "none"}
SERIAL |= {"stop_bits": 1, "flow": "none", "shared": False}


@pytest.mark.parametrize(
    ("line", "more"),
    [
        (None, {}),
        (SerialLine(19200, 7, "even", 2, "rts_cts"),
         {"baud": 19200, "data_bits": 7, "parity": "even", "stop_bits": 2, "flow": "rts_cts"}),
        (SerialLine(parity="odd", flow="xon_xoff"), {"parity": "odd", "flow": "xon_xoff"}),
    ],
)  # fmt: skip
def test_over_a_serial_port(line: SerialLine | None, more: dict[str, Any]) -> None:
    address = "ASRL/dev/ttyUSB0::INSTR"
    assert out_of_reach(address) == ""
    given = {} if line is None else {"serial_line": line}
    assert way_of(session(address, **given)) == PLAIN | SERIAL | more


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (SerialLine(12345), "12345 bit/s is no speed the guard can set"),
        (SerialLine(parity="mark"), "parity mark, 1 stop bits, flow none: not all can be set"),
        (SerialLine(parity="space"), "parity space, 1 stop bits"),
        (SerialLine(stop_bits=1.5), "parity none, 1.5 stop bits"),
        (SerialLine(flow="dtr_dsr"), "flow dtr_dsr: not all can be set"),
    ],
)
def test_a_serial_port_it_cannot_set(line: SerialLine, said: str) -> None:
    with pytest.raises(NotReachable, match=said):
        way_of(session("ASRL/dev/ttyUSB0::INSTR", serial_line=line))


def test_where_there_are_no_serial_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = builtins.__import__

    def without(name: str, *more: Any, **how: Any) -> Any:
        if name == "termios":
            raise ImportError
        return plain(name, *more, **how)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(NotReachable, match="no serial ports for the guard on this system"):
        way_of(session("ASRL/dev/ttyUSB0::INSTR"))
    assert termios.B9600


# -- by the address alone ----------------------------------------------------------------------------------------------

USB = "USB::0x1234::0x5678::A1::INSTR"


@pytest.mark.parametrize("machine", ["x86_64", "i386", "i686", "AMD64", "amd64", "armv7l", "aarch64", "riscv64"])
def test_usb_is_reached_on_these_machines_under_linux_only(machine: str, monkeypatch: pytest.MonkeyPatch) -> None:
    system = ["Linux"]
    monkeypatch.setattr(guard_ways, "platform", SimpleNamespace(system=lambda: system[0], machine=lambda: machine))
    assert out_of_reach(USB) == ""
    system[0] = "Darwin"
    assert "does not speak USBTMC on this computer" in out_of_reach(USB)


def test_usb_on_a_machine_whose_calls_have_other_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard_ways, "platform", SimpleNamespace(system=lambda: "Linux", machine=lambda: "mips"))
    assert "does not speak USBTMC on this computer" in out_of_reach(USB)
    with pytest.raises(NotReachable, match="does not speak USBTMC on this computer"):
        way_of(session(USB))


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("GPIB0::5::INSTR", "the guard does not reach this bus"),
        ("sim:cabinet/load", ""),
        ("no address", ""),
        ("TCPIP::192.0.2.1::INSTR", ""),
    ],
)
def test_who_is_out_of_reach(address: str, said: str) -> None:
    assert out_of_reach(address).startswith(said)
    assert bool(out_of_reach(address)) == bool(said)


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("VXI0::5::INSTR", "the guard does not reach this bus"),
        ("TCPIP::192.0.2.1,high::inst0::INSTR", "the guard has no line to such an address, and cannot switch it off"),
    ],
)
def test_an_address_it_knows_nothing_of(address: str, said: str) -> None:
    with pytest.raises(NotReachable, match=said):
        way_of(session(address))


# -- USB ---------------------------------------------------------------------------------------------------------------


def test_the_way_by_usb(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    right = [True]

    def find(way: dict[str, Any]) -> Any:
        asked.append(way)
        return SimpleNamespace(node="/dev/bus/usb/001/005")

    def access(node: str, mode: int) -> bool:
        assert (node, mode) == ("/dev/bus/usb/001/005", 6)
        return right[0]

    monkeypatch.setattr(guard_ways, "find", find)
    monkeypatch.setattr(guard_ways, "os", SimpleNamespace(access=access, R_OK=4, W_OK=2))
    monkeypatch.setattr(guard_ways, "platform", SimpleNamespace(system=lambda: "Linux", machine=lambda: "x86_64"))
    told = {"maker": 0x1234, "model": 0x5678, "serial": "a1", "interface": 10}
    way = way_of(session("USB0::0x1234::0x5678::A1::10::INSTR"))
    assert asked == [told]
    assert way == PLAIN | told | {"kind": "usb", "shared": False}
    right[0] = False
    with pytest.raises(NotReachable, match="no right to /dev/bus/usb/001/005, and the guard cannot switch it off"):
        way_of(session(USB))

    def nowhere(way: dict[str, Any]) -> None:
        raise FileNotFoundError("USB: no such device")

    monkeypatch.setattr(guard_ways, "find", nowhere)
    with pytest.raises(NotReachable, match="USB: no such device; the guard cannot switch it off"):
        way_of(session(USB))
