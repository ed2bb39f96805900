"""What is seen is listed, each one once, and nothing but the identity is asked.

Every way of looking is injected: no test looks at this machine's ports or sends anything beyond the loopback.
"""

from __future__ import annotations

import socket
import sys
import threading
import warnings
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from loopback_line import Line, refused_port

import harness.instruments as instruments
from drivers.discovery import SERVICES, NotInstalled, Seen, announced, announcement
from drivers.wire import Wire
from drivers.wire_memory import MemoryWire
from harness.instrument_lock import holding
from harness.instruments import Found, ask_all, look, with_named

# -- looking -----------------------------------------------------------------------------------------------------------


def raises(error: Exception) -> Callable[[], list[Seen]]:
    def source() -> list[Seen]:
        raise error

    return source


def test_each_address_is_listed_once_in_whatever_spelling_serial_ports_last() -> None:
    seen, notes = look(
        {
            "VISA": lambda: [
                Seen("ASRL/dev/ttyUSB9::INSTR", "VISA"),
                Seen("TCPIP::192.0.2.7::inst0::INSTR", "VISA"),
                Seen("what is this", "VISA"),
            ],
            "serial ports": lambda: [Seen("ASRL/dev/ttyUSB9", "serial port", "an adapter")],
            "mDNS": lambda: [Seen("TCPIP0::192.0.2.7::INSTR", "mDNS"), Seen("GPIB0::5::INSTR", "mDNS")],
        }
    )
    assert notes == []
    assert [one.address for one in seen] == [
        "GPIB0::5::INSTR",
        "TCPIP::192.0.2.7::inst0::INSTR",
        "what is this",
        "ASRL/dev/ttyUSB9::INSTR",
    ]


def test_a_source_that_hangs_fails_or_is_not_installed_costs_only_itself() -> None:
    hang = threading.Event()
    seen, notes = look(
        {
            "VISA": lambda: [Seen("GPIB0::5::INSTR", "VISA")],
            "serial ports": raises(OSError(13, "no permission")),
            "mDNS": raises(NotInstalled("not looked for: install the extra `nightbench[discover]`")),
            "slow": lambda: [Seen("late", "slow")] if hang.wait(30) else [],
        },
        within_s=0.2,
    )
    hang.set()
    assert [one.address for one in seen] == ["GPIB0::5::INSTR"]
    assert notes == [
        "serial ports: cannot be looked at: [Errno 13] no permission",
        "mDNS: not looked for: install the extra `nightbench[discover]`",
        "slow: took longer than 0.2 s, left out",
    ]


@pytest.mark.parametrize(
    ("service", "hosts", "port", "addresses"),
    [
        ("_hislip", ["192.0.2.4"], 4880, ["TCPIP::192.0.2.4::hislip0,4880::INSTR"]),
        ("_hislip", ["192.0.2.4"], None, ["TCPIP::192.0.2.4::hislip0,4880::INSTR"]),
        ("_vxi-11", ["192.0.2.4"], 111, ["TCPIP::192.0.2.4::inst0::INSTR"]),
        ("_scpi-raw", ["192.0.2.4"], 5025, ["TCPIP::192.0.2.4::5025::SOCKET"]),
        ("_lxi", ["192.0.2.4"], 80, ["TCPIP::192.0.2.4::inst0::INSTR"]),
        ("_lxi", ["2001:db8::4"], 80, ["TCPIP::[2001:db8::4]::inst0::INSTR"]),
    ],
)
def test_announcements_become_addresses(service: str, hosts: list[str], port: int | None, addresses: list[str]) -> None:
    service_type = f"{service}._tcp.local."
    assert service_type in SERVICES
    found = announcement(service_type, f"a supply.{service_type}", hosts, port)
    assert [one.address for one in found] == addresses
    assert {one.words for one in found} == {"a supply"}


def test_what_is_announced_on_the_loopback_is_seen() -> None:
    """RFC 6762 on 127.0.0.1 alone: both ends are in this test, and nothing leaves the machine."""
    zeroconf = pytest.importorskip("zeroconf")

    def here() -> Any:
        return zeroconf.Zeroconf(interfaces=["127.0.0.1"])

    try:
        host = here()
    except OSError as error:
        pytest.skip(f"no multicast on this machine's loopback: {error}")
    info = zeroconf.ServiceInfo(
        "_scpi-raw._tcp.local.", "ours._scpi-raw._tcp.local.", 5025, addresses=[socket.inet_aton("127.0.0.1")],
        server="ours.local.",
    )  # fmt: skip
    try:
        host.register_service(info, cooperating_responders=True)
        found = announced(wait_s=0.5, services=["_scpi-raw._tcp.local."], make=here)
    finally:
        host.close()
    assert found == [Seen("TCPIP::127.0.0.1::5025::SOCKET", "mDNS", "ours")]


def test_without_the_package_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "zeroconf", None)
    with pytest.raises(NotInstalled, match=r"nightbench\[discover\]"):
        announced()


def test_everything_that_visa_lists_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    import pyvisa

    from drivers.discovery import visa_resources

    def listed(query: str) -> tuple[str, ...]:
        assert query == "?*"
        warnings.warn("a package is missing", UserWarning, stacklevel=1)
        return ("GPIB0::5::INSTR", "USB0::0x1234::0x5678::A1::0::INSTR")

    monkeypatch.setattr(pyvisa, "ResourceManager", lambda backend: SimpleNamespace(list_resources=listed))
    assert visa_resources() == [
        Seen("GPIB0::5::INSTR", "VISA"),
        Seen("USB0::0x1234::0x5678::A1::0::INSTR", "VISA"),
    ]


def test_serial_ports_are_listed_and_not_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial
    import serial.tools.list_ports as ports

    from drivers.discovery import serial_ports

    def opened(*_: object, **__: object) -> None:
        raise AssertionError("a port was opened")

    monkeypatch.setattr(serial.Serial, "open", opened)
    named = SimpleNamespace(device="/dev/ttyUSB9", description="an adapter", serial_number="A1")
    monkeypatch.setattr(ports, "comports", lambda: [named])
    assert serial_ports() == [Seen("ASRL/dev/ttyUSB9::INSTR", "serial port", "an adapter, A1")]


# -- asking ------------------------------------------------------------------------------------------------------------


def asked(*seen: Seen, serial: tuple[str, ...] = (), timeout_s: float = 0.3) -> list[Found]:
    return ask_all(with_named(seen, serial), timeout_s=timeout_s, serial=serial)


def test_each_one_is_asked_its_identity_and_nothing_else(line: Callable[..., Line]) -> None:
    good = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"}, greeting=b"READY v1\r\n")
    echoing = line({b"*IDN?": b"*IDN?\r\nOURS,OTHER,SER2,1.0\r\n"})
    silent = line({})
    gone = refused_port()
    found = asked(*(Seen(one, "VISA") for one in (good.address, echoing.address, silent.address, gone)))
    assert [one.identity for one in found] == ["OURS,MODEL,SER1,1.0", "OURS,OTHER,SER2,1.0", "", ""]
    assert found[2].reason == "no answer to *IDN?"
    assert "connection failed" in found[3].reason
    assert [one.said for one in (good, echoing, silent)] == [[b"*IDN?\n"]] * 3


def test_a_serial_port_is_opened_only_when_it_is_named() -> None:
    opened: list[str] = []

    class Asked:
        def feed(self, data: bytes) -> bytes:
            assert data == b"*IDN?\n"
            return b"OURS,SERIAL,1,1\n"

        def hang_up(self) -> None: ...

    def make(address: str, timeout_s: float) -> Wire:
        opened.append(address)
        return MemoryWire(Asked, lambda seconds: None, name="it", address=address, timeout_s=timeout_s)

    seen = [Seen("ASRL/dev/ttyUSB8::INSTR", "serial port"), Seen("ASRL/dev/ttyUSB9::INSTR", "serial port")]
    found = ask_all(seen, timeout_s=0.2, serial=["asrl/dev/ttyUSB9"], wire=make)
    assert opened == ["ASRL/dev/ttyUSB9::INSTR"]
    assert found[0].reason == instruments.SERIAL
    assert "may restart it" in found[0].reason
    assert found[1].identity == "OURS,SERIAL,1,1"


def test_one_that_a_run_holds_is_not_asked(line: Callable[..., Line]) -> None:
    busy = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    with holding(busy.address):
        (found,) = asked(Seen(busy.address, "VISA"))
    assert found.reason == "a run holds it, not asked"
    assert busy.said == []
    assert asked(Seen(busy.address, "VISA"))[0].identity == "OURS,MODEL,SER1,1.0", "and is free again afterwards"


def test_one_that_hangs_in_a_library_does_not_hold_up_the_rest(line: Callable[..., Line]) -> None:
    good = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    hang = threading.Event()
    real = instruments._wire

    def make(address: str, timeout_s: float) -> Wire:
        if address.startswith("GPIB"):
            hang.wait(30)
        return real(address, timeout_s)

    monkey = pytest.MonkeyPatch()
    monkey.setattr(instruments, "bound_s", lambda timeout_s: 0.5)
    try:
        found = ask_all([Seen("GPIB0::5::INSTR", "VISA"), Seen(good.address, "VISA")], timeout_s=0.2, wire=make)
    finally:
        hang.set()
        monkey.undo()
    assert [one.told for one in found] == ["- no answer in time", "OURS,MODEL,SER1,1.0"]
