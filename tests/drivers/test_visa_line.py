"""What only a real socket or port can show: how it is opened and set up."""

from __future__ import annotations

import os
import pty
import socket
import time
import tty

import pytest

from drivers.session import Session
from drivers.wire import Lost, Timeout, WireError
from drivers.wire_visa import SerialLine, VisaWire

SLACK_S = 0.4


def visa(address: str, **keys: object) -> VisaWire:
    return VisaWire(name="it", address=address, monotonic=time.monotonic, timeout_s=0.1, **keys)


@pytest.fixture
def listener():
    with socket.create_server(("127.0.0.1", 0), backlog=1) as server:
        yield server


@pytest.fixture
def port():
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, f"ASRL{os.ttyname(slave)}::INSTR"
    os.close(slave)
    os.close(master)


def address_of(server: socket.socket) -> str:
    return f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"


def test_refused_port_is_lost_at_open(listener):
    address = address_of(listener)
    listener.close()
    with pytest.raises(Lost, match="ConnectionRefusedError"):
        Session(visa(address)).open()


def test_silent_port_is_a_timeout_at_open(listener):
    wire = visa(address_of(listener))
    with pytest.raises(Timeout):
        Session(wire).open()
    assert not wire.is_open


def test_connection_that_nobody_accepts_is_given_up(listener):
    # The queue of the listener is filled, so that further connections hang: Linux drops what does not fit.
    host = listener.getsockname()
    fillers = [socket.socket() for _ in range(4)]
    for one in fillers:
        one.setblocking(False)
        one.connect_ex(host)
    time.sleep(0.05)  # the kernel takes the connections up
    start = time.monotonic()
    with pytest.raises(WireError):
        Session(visa(address_of(listener), open_timeout_s=0.2)).open()
    assert time.monotonic() - start < 0.2 + 0.1 + SLACK_S
    for one in fillers:
        one.close()


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("TCPIP::127.0.0.1::nonsense::SOCKET", "."),
        ("nonsense", "."),
        ("ASRL/dev/there-is-no-such-port::INSTR", "SerialException|FileNotFound"),
        ("", "."),
    ],
)
def test_an_address_that_cannot_be_opened_is_lost(address, why):
    with pytest.raises(Lost, match=why) as caught:
        visa(address).open()
    assert "\n" not in str(caught.value)


def test_socket_is_set_up(listener):
    wire = visa(address_of(listener))
    wire.open()
    lower = wire._stream._lower
    assert lower.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
    assert lower.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    wire.close()
    assert lower.fileno() == -1


def _flood(wire: VisaWire) -> None:
    for _ in range(2000):
        wire.write("X" * 60_000)


def test_an_instrument_that_takes_nothing_in_is_a_timeout(listener):
    """Its window is full: a plain blocking send would wait for ever."""
    wire = visa(address_of(listener))
    wire.open()
    accepted, _ = listener.accept()
    start = time.monotonic()
    with pytest.raises(Timeout):
        _flood(wire)
    assert time.monotonic() - start < 5
    accepted.close()


def test_serial_settings_are_held(port):
    _, address = port
    wire = visa(address, serial_line=SerialLine(baud=115200, stop_bits=2, flow="xon_xoff"))
    wire.open()
    lower = wire._stream._lower
    assert (lower.baudrate, lower.stopbits, lower.xonxoff, lower.rtscts) == (115200, 2, True, False)
    wire.close()


def test_serial_setting_that_does_not_take_is_lost(port, monkeypatch):
    _, address = port
    deaf = property(lambda port: port._stopbits, lambda port, value: setattr(port, "_stopbits", 1))
    monkeypatch.setattr("serial.Serial.stopbits", deaf)
    with pytest.raises(Lost, match="stopbits = 2 was set, 1 is held"):
        visa(address, serial_line=SerialLine(stop_bits=2)).open()


def test_serial_parity_the_port_cannot_do_is_lost(port):
    _, address = port  # a pseudo-terminal knows no parity
    with pytest.raises(Lost):
        visa(address, serial_line=SerialLine(parity="even")).open()


def test_what_a_port_held_before_opening_is_dropped(port):
    master, address = port
    os.write(master, b"READY v1\r\n")
    wire = visa(address)
    wire.open()
    wire.write("OUTP OFF")
    assert os.read(master, 100) == b"OUTP OFF\n"
    wire.close()
