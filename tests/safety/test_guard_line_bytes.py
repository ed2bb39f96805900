"""The guard's lines byte by byte and wait by wait, on files, sockets and a clock by hand."""

from __future__ import annotations

import os
import termios
import tty
from typing import Any

import pytest
from fake_lines import Machine

from drivers.wire import CALL_DEADLINE_S
from harness import guard_lines
from harness.guard_lines import Line

TCP: dict[str, Any] = {
    **{"kind": "tcp", "host": "192.0.2.1", "port": 5025, "shared": True},
    **{"terminator": "0a", "gap_s": None, "echo": False, "pace_s": 0.0, "boot_s": 0.0},
}
SERIAL = {
    **(TCP | {"kind": "serial", "device": "/dev/ttyX", "shared": False}),
    **{"baud": 9600, "data_bits": 8, "parity": "none", "stop_bits": 1, "flow": "none"},
}


@pytest.fixture
def patch(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setattr(guard_lines, "set_up", lambda fd, way: None)
    return monkeypatch


def serial(machine: Machine, patch: pytest.MonkeyPatch, **more: Any) -> Line:
    machine.into(guard_lines, patch)
    line = Line(SERIAL | more)
    line.open()
    machine.trace.clear()
    return line


def test_times_and_sizes() -> None:
    assert (guard_lines.CONNECT_S, guard_lines.SILENCE_S, guard_lines.MOST_BYTES) == (0.5, 0.02, 65_536)
    assert guard_lines.REPLY_S == CALL_DEADLINE_S == 0.8, "as long as the drivers wait"


# -- opening and closing -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fd", [0, 7])
def test_a_port_is_opened_once_and_closed_once(fd: int, patch: pytest.MonkeyPatch) -> None:
    machine, settings = Machine(fd=fd), [()][:0]
    machine.into(guard_lines, patch)
    patch.setattr(guard_lines, "set_up", lambda *words: settings.append(words))
    line = Line(SERIAL)
    line.close()
    assert machine.trace == [], "of what is not open nothing is closed"
    line.open()
    line.open()
    assert line.is_open
    assert machine.trace == [("open", "/dev/ttyX", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)]
    assert settings == [(fd, SERIAL)]
    line.close()
    line.close()
    assert machine.trace[1:] == [("close", fd)]
    assert not line.is_open


CONNECTED = [("connect", "192.0.2.1", 5025, 0.5), ("socket 0", "set", 6, 1, 1)]
"""IPPROTO_TCP and TCP_NODELAY have these numbers on Linux."""


@pytest.mark.parametrize("fails", [False, True])
def test_a_socket_is_opened_once_and_closed_once(fails: bool, patch: pytest.MonkeyPatch) -> None:
    machine = Machine(sockets=((),))
    machine.into(guard_lines, patch)
    line = Line(TCP)
    line.open()
    line.open()
    assert line.is_open
    assert machine.trace == CONNECTED
    machine.close_fails = fails
    line.close()
    line.close()
    assert machine.trace[2:] == [("socket 0", "closed")], "its file is the socket's, and closed by that"
    assert not line.is_open


def test_nobody_there(patch: pytest.MonkeyPatch) -> None:
    Machine().into(guard_lines, patch)
    line = Line(TCP)
    with pytest.raises(ConnectionRefusedError):
        line.open()
    assert not line.is_open


def test_a_port_that_cannot_be_closed_is_given_up(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    line = serial(machine, patch)
    machine.close_fails = True
    line.close()
    assert not line.is_open
    assert machine.trace == [("close", 7)]


def test_a_port_that_cannot_be_set_up_is_closed_again(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    machine.into(guard_lines, patch)

    def refused(fd: int, way: Any) -> None:
        raise OSError("no such speed")

    patch.setattr(guard_lines, "set_up", refused)
    line = Line(SERIAL)
    with pytest.raises(OSError, match="no such speed"):
        line.open()
    assert machine.told("close") == [("close", 7)]
    assert not line.is_open


def test_one_that_is_deaf_after_opening_is_waited_for(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    machine.into(guard_lines, patch)
    line = Line(SERIAL | {"boot_s": 2.5, "pace_s": 0.1})
    line.open()
    line.open()
    line.send(b"OFF\n")
    assert machine.trace[1:] == [("sleep", 2.5), ("sleep", 0.1), ("may write", 0.8), ("write", b"OFF\n")]


# -- sending -----------------------------------------------------------------------------------------------------------


def test_what_goes_in_piece_by_piece_is_sent_within_one_deadline(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    line = serial(machine, patch)
    machine.takes, machine.ready_s = 2, [0.5, 0.3]
    line.send(b"OFF 1\n")
    waits = [("may write", 0.8), ("may write", 0.3), ("may write", 0.0)]
    writes = [("write", b"OF"), ("write", b"F "), ("write", b"1\n")]
    assert machine.trace == [one for both in zip(waits, writes, strict=True) for one in both]


def test_what_does_not_go_in_is_given_up(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    line = serial(machine, patch)
    machine.takes, machine.ready_s = 3, [0.9]
    with pytest.raises(TimeoutError, match="cannot be written to"):
        line.send(b"OFF\n")
    assert machine.trace == [("may write", 0.8)]
    machine.now_s, machine.ready_s = 1.0, [0.9, 0.1]
    with pytest.raises(TimeoutError, match="cannot be written to"):
        line.send(b"OFF\n")
    assert machine.now_s == 1.8


def test_a_clock_that_has_run_past_the_deadline_waits_no_more(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    line = serial(machine, patch)
    machine.takes = 2
    plain = machine.write

    def slow(fd: int, data: bytes) -> int:
        machine.now_s += 1.0
        return plain(fd, data)

    patch.setattr(guard_lines.os, "write", slow)
    line.send(b"OFF\n")
    assert machine.told("may write") == [("may write", 0.8), ("may write", 0.0)]


# -- asking ------------------------------------------------------------------------------------------------------------

ASKED = [("wait", 0.0), ("may write", 0.8), ("write", b"ON?\n")]
"""Nothing stood there, and the question is sent."""


@pytest.mark.parametrize(
    ("comes", "more", "answer", "waits"),
    [
        ([(0.1, b"0\n")], {}, b"0", [0.8, 0.02]),
        ([(0.1, b"0"), (0.3, b"1\n")], {}, b"01", [0.8, 0.7, 0.02]),
        ([(0.1, b"OK\n"), (0.11, b"0\n")], {}, b"0", [0.8, 0.02, 0.02]),
        ([(0.1, b"OK\n"), (0.13, b"0\n")], {}, b"OK", [0.8, 0.02]),
        ([(0.1, b"0")], {}, b"", [0.8, 0.7]),
        ([], {}, b"", [0.8]),
        ([(0.79, b"0\n")], {}, b"0", [0.8, 0.01]),
        ([(0.8, b"0"), (0.8, b"\n")], {}, b"", [0.8]),
        ([(0.4, b"0"), (0.7, b"0"), (0.9, b"\n")], {}, b"", [0.8, 0.4, 0.1]),
        ([(0.1, b"ON?\n"), (0.5, b"0\n")], {"echo": True}, b"0", [0.8, 0.7, 0.02]),
        ([(0.1, b"ON?\n")], {"echo": True}, b"", [0.8, 0.7]),
        ([(0.1, b"ON?\n")], {}, b"ON?", [0.8, 0.02]),
        ([(0.1, b"0"), (0.14, b"1")], {"terminator": "", "gap_s": 0.05}, b"01", [0.8, 0.05, 0.05]),
        ([(0.1, b"0"), (0.16, b"1")], {"terminator": "", "gap_s": 0.05}, b"0", [0.8, 0.05]),
        ([(0.1, b"OK\n0"), (0.12, b"1")], {"gap_s": 0.05}, b"01", [0.8, 0.05, 0.05]),
        ([(0.1, b"7\r\n0\r")], {"terminator": "0d"}, b"0", [0.8, 0.02]),
    ],
)
def test_an_answer_and_how_long_it_is_waited_for(
    comes: list[Any], more: dict[str, Any], answer: bytes, waits: list[float], patch: pytest.MonkeyPatch
) -> None:
    machine = Machine(*comes)
    line = serial(machine, patch, **more)
    assert line.ask(b"ON?\n") == answer
    assert machine.trace == [*ASKED, *(("wait", one) for one in waits)]


def test_what_stood_there_before_is_no_answer(patch: pytest.MonkeyPatch) -> None:
    machine = Machine((0.0, b"1\n"), (0.0, b"x" * 5000), (0.4, b"0\n"))
    line = serial(machine, patch)
    assert line.ask(b"ON?\n") == b"0"
    assert machine.told("wait")[:4] == [("wait", 0.0)] * 4, "till nothing is left"


@pytest.mark.parametrize("at_s", [0.0, 0.1])
def test_whoever_hangs_up_has_not_answered(at_s: float, patch: pytest.MonkeyPatch) -> None:
    machine = Machine((at_s, b""))
    line = serial(machine, patch)
    with pytest.raises(ConnectionError, match="hung up"):
        line.ask(b"ON?\n")
    assert len(machine.trace) == (1 if at_s == 0.0 else 4)


def test_no_more_is_held_than_may_be(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(guard_lines, "MOST_BYTES", 8)
    line = serial(Machine((0.1, b"1234567\n"), (0.1, b"9\n")), patch)
    assert line.ask(b"ON?\n") == b"1234567"
    line = serial(Machine((0.1, b"123456\n"), (0.1, b"9\n")), patch)
    assert line.ask(b"ON?\n") == b"9"


def test_over_a_socket_as_over_a_port(patch: pytest.MonkeyPatch) -> None:
    machine = Machine((0.1, b"0\n"), sockets=((),))
    machine.into(guard_lines, patch)
    line = Line(TCP)
    line.open()
    machine.trace.clear()
    assert line.ask(b"ON?\n") == b"0"
    assert machine.trace == [*ASKED, ("wait", 0.8), ("wait", 0.02)]


# -- lines of whole messages -------------------------------------------------------------------------------------------


class Whole:
    """``answers`` come one after the other."""

    answers: list[bytes | None]

    def __init__(self, way: dict[str, Any], **how: Any) -> None:
        self.way, self.how, self.said, self.fails = way, how, [("",)][:0], False
        self.answers = [b" 0\r\n", b"", None]

    def open(self) -> None:
        self.said.append(("open",))
        if self.fails:
            raise OSError("no more links")

    def send(self, data: bytes) -> None:
        self.said.append(("send", data.decode()))

    def read(self) -> bytes | None:
        self.said.append(("read",))
        return self.answers.pop(0)

    def close(self) -> None:
        self.said.append(("close",))


def test_a_line_of_whole_messages(patch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    machine.into(guard_lines, patch)
    patch.setitem(guard_lines.WHOLE, "whole", Whole)
    way = TCP | {"kind": "whole"}
    line = Line(way)
    one = line._whole
    assert (one.way, one.how) == (way, {"connect_s": 0.5, "reply_s": 0.8, "most_bytes": 65_536})
    line.open()
    line.send(b"OFF\n")
    assert one.said == [("open",), ("send", "OFF\n")]
    assert line.ask(b"ON?\n") == b"0"
    assert line.ask(b"ON?\n") == b""
    assert line.is_open
    assert one.said[2:] == [("send", "ON?\n"), ("read",)] * 2
    assert line.ask(b"ON?\n") == b""
    assert not line.is_open, "its answer may still come"
    assert one.said[-1] == ("close",)
    one.fails = True
    with pytest.raises(OSError, match="no more links"):
        line.open()
    assert one.said[-2:] == [("open",), ("close",)]
    assert not line.is_open
    assert machine.trace == [], "nothing but by its own kind"


# -- a serial port -----------------------------------------------------------------------------------------------------

FLAGS = {
    "none": termios.CS8,
    "7e2": termios.CS7 | termios.PARENB | termios.CSTOPB,
    "6o1": termios.CS6 | termios.PARENB | termios.PARODD,
    "5n1": termios.CS5,
}
EACH = termios.CSIZE | termios.PARENB | termios.PARODD | termios.CSTOPB | termios.HUPCL | termios.CRTSCTS


@pytest.mark.parametrize("before", [0, 0xFFFF_FFFF], ids=["nothing set", "all set"])
@pytest.mark.parametrize(
    ("more", "flags", "paused"),
    [
        ({}, FLAGS["none"], False),
        ({"data_bits": 7, "parity": "even", "stop_bits": 2}, FLAGS["7e2"], False),
        ({"data_bits": 6, "parity": "odd"}, FLAGS["6o1"], False),
        ({"data_bits": 5, "baud": 115200}, FLAGS["5n1"], False),
        ({"flow": "rts_cts"}, FLAGS["none"] | termios.CRTSCTS, False),
        ({"flow": "xon_xoff"}, FLAGS["none"], True),
    ],
)
def test_every_setting_of_a_port_is_set_whatever_it_was(
    more: dict[str, Any], flags: int, paused: bool, before: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[Any] = []
    found = [before, 1, before, 3, 4, 5, [6]]
    monkeypatch.setattr(tty, "setraw", lambda fd: done.append(("raw", fd)))
    monkeypatch.setattr(termios, "tcgetattr", lambda fd: list(found))
    monkeypatch.setattr(termios, "tcsetattr", lambda *words: done.append(words))
    monkeypatch.setattr(termios, "tcflush", lambda *words: done.append(("flush", *words)))
    guard_lines.set_up(9, SERIAL | more)
    speed = getattr(termios, f"B{more.get('baud', 9600)}")
    pauses = termios.IXON | termios.IXOFF
    kept = before & ~EACH | termios.CLOCAL | termios.CREAD
    expected = [before & ~pauses | (pauses if paused else 0), 1, kept | flags, 3, speed, speed, [6]]
    assert done == [("raw", 9), (9, termios.TCSANOW, expected), ("flush", 9, termios.TCIFLUSH)]


def test_a_port_that_takes_not_all_of_it_is_used_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(fd: int) -> None:
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr(tty, "setraw", refused)
    guard_lines.set_up(9, SERIAL)
