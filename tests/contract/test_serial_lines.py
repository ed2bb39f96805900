"""Serial ports: names, settings, what opening does; on a port of our own and, where it shows it, a pseudo-terminal."""

from __future__ import annotations

import os
import pty
import termios
import threading
import time
import tty
from collections.abc import Iterator
from typing import Any

import pytest
from fake_port import FakePort, wire_to
from serial import SerialException

from drivers.session import Session
from drivers.wire import Lost, Timeout
from drivers.wire_serial import SerialLine, open_port, port_name
from drivers.wire_visa import VisaWire

# -- names -------------------------------------------------------------------------------------------------------------

NAMES = [
    ("win32", "ASRL3::INSTR", "COM3"),
    ("win32", "ASRLCOM12::INSTR", "COM12"),
    ("win32", r"ASRL\\.\COM12::INSTR", "COM12"),
    ("win32", "asrlcom12", "COM12"),
    ("linux", "ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
    ("linux", "ASRL/dev/ttyUSB0", "/dev/ttyUSB0"),
    ("linux", "ASRL/dev/serial/by-id/usb-A_b-if00-port0::INSTR", "/dev/serial/by-id/usb-A_b-if00-port0"),
    ("linux", "ASRL/dev/tty.usb1::INSTR", "/dev/tty.usb1"),
    ("darwin", "ASRL/dev/cu.usb1::INSTR", "/dev/cu.usb1"),
]


@pytest.mark.parametrize(("platform", "address", "name"), NAMES)
def test_name_of_the_port(platform: str, address: str, name: str) -> None:
    assert port_name(address, platform=platform) == name


NO_NAMES = [
    ("darwin", "ASRL/dev/tty.usb1::INSTR", r"waits for a carrier.*write ASRL/dev/cu\.usb1::INSTR"),
    ("linux", "ASRLCOM12::INSTR", r"COM12 is a name of Windows; write ASRL/dev/ttyUSB0::INSTR"),
    ("linux", "ASRL3::INSTR", "COM3 is a name of Windows"),
    ("win32", "ASRL::INSTR", "no serial port after ASRL"),
    ("linux", "ASRL/dev/a::1::INSTR", "no serial port after ASRL"),
]


@pytest.mark.parametrize(("platform", "address", "words"), NO_NAMES)
def test_a_name_that_cannot_be_opened_here(platform: str, address: str, words: str) -> None:
    with pytest.raises(ConnectionError, match=words):
        port_name(address, platform=platform)


def test_the_hint_reaches_whoever_opens_the_line() -> None:
    wire = VisaWire(name="it", address="ASRL3::INSTR", monotonic=time.monotonic)
    with pytest.raises(Lost, match=r"^it at ASRL3::INSTR: COM3 is a name of Windows; write"):
        wire.open()


# -- settings ----------------------------------------------------------------------------------------------------------

WORDS = [
    ({"parity": "even"}, "parity", "even"),
    ({"parity": "E"}, "parity", "even"),
    ({"parity": "e"}, "parity", "even"),
    ({"parity": "ODD"}, "parity", "odd"),
    ({"parity": "N"}, "parity", "none"),
    ({"flow": "none"}, "flow", "none"),
    ({"flow": "XON/XOFF"}, "flow", "xon_xoff"),
    ({"flow": "rts-cts"}, "flow", "rts_cts"),
    ({"stop_bits": 2}, "stop_bits", 2),
    ({"stop_bits": 2.0}, "stop_bits", 2),
    ({"data_bits": 7}, "data_bits", 7),
]


@pytest.mark.parametrize(("keys", "key", "held"), WORDS)
def test_words_and_letters(keys: dict[str, Any], key: str, held: object) -> None:
    assert getattr(SerialLine(**keys), key) == held


TYPOS = [
    ({"parity": "evn"}, r"parity = 'evn': accepted: none, even, odd, mark, space \(or N, E, O, M, S\)"),
    ({"parity": ""}, "parity = ''"),
    ({"parity": 0}, "parity = 0"),
    ({"flow": "rts"}, "flow = 'rts': accepted: none, xon_xoff, rts_cts, dtr_dsr"),
    ({"flow": False}, "flow = False"),
    ({"data_bits": 9}, "data_bits = 9: accepted: 5, 6, 7, 8"),
    ({"data_bits": True}, "data_bits = True"),
    ({"stop_bits": 3}, r"stop_bits = 3: accepted: 1, 1\.5, 2"),
    ({"stop_bits": float("nan")}, "stop_bits = nan"),
    ({"baud": 0}, "baud = 0: accepted: a whole number from 50"),
    ({"baud": "9600"}, "baud = '9600'"),
    ({"baud": True}, "baud = True"),
]


@pytest.mark.parametrize(("keys", "words"), TYPOS)
def test_typos(keys: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        SerialLine(**keys)


def test_every_setting_is_set_and_read_back() -> None:
    line = SerialLine(baud=19200, data_bits=7, parity="E", stop_bits=2, flow="rts_cts")
    wire, ports = wire_to(FakePort, line)
    wire.open()
    port = ports[0]
    held = (port.baudrate, port.bytesize, port.parity, port.stopbits, port.xonxoff, port.rtscts, port.dsrdtr)
    assert held == (19200, 7, "E", 2, False, True, False)
    assert port.touched == 0, "DTR and RTS are left as the system has them"


OTHERS = SerialLine(baud=19200, data_bits=7, parity="E", stop_bits=2, flow="rts_cts")


@pytest.mark.parametrize(
    ("key", "held"), [("baudrate", 9600), ("bytesize", 8), ("parity", "N"), ("stopbits", 1), ("rtscts", False)]
)
def test_a_setting_that_is_dropped_is_found_before_anything_is_said(key: str, held: object) -> None:
    def make(line: SerialLine) -> FakePort:
        port = FakePort(line)
        port.ignores[key] = held
        return port

    wire, ports = wire_to(make, OTHERS)
    with pytest.raises(Lost, match=f"{key} = .* was set, {held} is held; the port cannot do it"):
        Session(wire).open()
    assert ports[0].calls == ["close"]


# -- errors ------------------------------------------------------------------------------------------------------------

KINDS = [
    *(PermissionError(13, "Access is denied"), OSError(22, "Invalid argument"), OSError(5, "Input/output error")),
    *(SerialException("device reports readiness"), BrokenPipeError(), FileNotFoundError(2, "x"), termios.error(5, "x")),
    *(TypeError("closed by another thread"), ValueError("parameter"), AttributeError("hComPort")),
]


@pytest.mark.parametrize("kind", KINDS, ids=repr)
@pytest.mark.parametrize("where", ["open", "write", "read", "close"])
def test_every_kind_from_every_call_is_one_kind_of_ours(kind: Exception, where: str) -> None:
    def make(line: SerialLine) -> FakePort:
        if where == "open":
            raise kind
        port = FakePort(line)
        port.faults |= {where: kind} if where != "close" else {"close": kind, "read": SerialException("the first")}
        if where in ("write", "read"):
            port.faults["close"] = OSError(9, "closing failed too")
        return port

    wire, _ = wire_to(make)
    with pytest.raises(Lost) as caught:
        Session(wire).open()
    why = "the first" if where == "close" else type(kind).__name__
    assert why in str(caught.value)
    assert "closing failed" not in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not wire.is_open


def test_a_port_that_never_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.wire_visa.PORT_DEADLINE_S", 0.1)
    stuck = threading.Event()

    def make(line: SerialLine) -> FakePort:
        stuck.wait(10)
        return FakePort(line)

    wire, ports = wire_to(make)
    with pytest.raises(Timeout, match="the line did not open in time"):
        wire.open()
    stuck.set()
    give_up = time.monotonic() + 2
    while not (ports and ports[0].calls) and time.monotonic() < give_up:
        time.sleep(0.005)
    assert ports[0].calls == ["close"], "what came too late is let go"


# -- opening -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    attributes = termios.tcgetattr(slave)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(slave, termios.TCSANOW, attributes)
    yield slave, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_closing_the_port_does_not_drop_its_lines(terminal: tuple[int, str]) -> None:
    """Their rise at the next opening would restart the instrument."""
    slave, name = terminal
    assert termios.tcgetattr(slave)[2] & termios.HUPCL
    open_port(name, SerialLine()).close()
    assert not termios.tcgetattr(slave)[2] & termios.HUPCL


def test_a_port_is_set_up_at_once(terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two settings a real port would send and hear nonsense."""
    _, name = terminal
    speeds: list[int] = []
    real = termios.tcsetattr

    def seen(fd: int, when: int, attributes: list[Any]) -> None:
        speeds.append(attributes[4])
        real(fd, when, attributes)

    monkeypatch.setattr(termios, "tcsetattr", seen)
    wire = VisaWire(
        name="it", address=f"ASRL{name}::INSTR", monotonic=time.monotonic, serial_line=SerialLine(baud=115200)
    )
    wire.open()
    wire.close()
    assert set(speeds) == {termios.B115200}
