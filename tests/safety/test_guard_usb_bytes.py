"""The guard's USB call by call, on calls of the kernel and a clock by hand: bytes typed from USBTMC 1.0 (tables 1, 2, 9
and 15 to 20, from memory).
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
from types import SimpleNamespace
from typing import Any

import pytest
from fake_lines import Machine
from fake_usb import BULK, CLAIM, CLEAR_HALT, CONTROL, RELEASE

from harness import guard_usb
from harness.guard_usb import UsbTmc
from harness.guard_usb_place import Place

FIRST = 0x12345 % 255 + 1
"""The first tag of a process 0x12345."""

OUT, INTO, INTERFACE = 0x02, 0x81, 3
GONE = OSError(errno.ENODEV, "No such device")


class Kernel:
    """``answers`` to controls and reads, one after the other: bytes, how many of them are told where that is another
    number, or what is raised; each with the seconds it takes. ``took``: of writes, bytes and seconds. What is done is
    written down with the milliseconds it is given."""

    def __init__(self, *answers: Any, took: tuple[tuple[int, float], ...] = (), fd: int = 0) -> None:
        self.machine, self.answers, self.took, self.fd = Machine(), list(answers), list(took), fd
        self.note, self.trace = self.machine.note, self.machine.trace
        self.fails: dict[str, Exception] = {}

    def open(self, node: str, flags: int) -> int:
        self.note("open", node, flags)
        self._may("open")
        return self.fd

    def shut(self, fd: int) -> None:
        assert fd == self.fd
        self.note("shut")
        self._may("shut")

    def _may(self, what: str) -> None:
        if what in self.fails:
            raise self.fails[what]

    def ioctl(self, fd: int, code: int, told: bytearray, mutate: bool) -> int:
        assert (fd, mutate) == (self.fd, True)
        if code == CLAIM:
            interface, flags, name = struct.unpack("@II256s", told)
            self.note("claim", interface, flags, name.rstrip(b"\0"))
            self._may("claim")
        elif code == RELEASE:
            self.note("release", *struct.unpack("@I", told))
            self._may("release")
        elif code == CLEAR_HALT:
            self.note("unhalt", *struct.unpack("@I", told))
            self._may("unhalt")
        elif code == CONTROL:
            *asked, at = struct.unpack("@BBHHHIP", told)
            self.note("control", *asked)
            return self._answer(at)
        else:
            assert code == BULK
            endpoint, size, within_ms, at = struct.unpack("@IIIP", told)
            if endpoint != OUT:
                self.note("in", endpoint, size, within_ms)
                return self._answer(at)
            self.note("out", ctypes.string_at(at, size), within_ms)
            taken, seconds = self.took.pop(0) if self.took else (size, 0.0)
            self.machine.now_s += seconds
            return taken
        return 0

    def _answer(self, at: int) -> int:
        came, seconds, size = (*self.answers.pop(0), None)[:3]
        self.machine.now_s += seconds
        if isinstance(came, Exception):
            raise came
        ctypes.memmove(at, came, len(came))
        return len(came) if size is None else int(size)


def made(kernel: Kernel, patch: pytest.MonkeyPatch, *, packet: int = 64, most: int = 65_536) -> UsbTmc:
    flags = {"O_RDWR": os.O_RDWR, "O_CLOEXEC": os.O_CLOEXEC}
    patch.setattr(guard_usb, "os", SimpleNamespace(getpid=lambda: 0x12345, open=None, close=None, **flags))
    patch.setattr(guard_usb, "time", SimpleNamespace(monotonic=kernel.machine.monotonic, sleep=kernel.machine.sleep))
    patch.setattr(guard_usb, "find", lambda *_, **__: Place("/dev/bus/usb/001/005", INTERFACE, OUT, INTO, packet))
    calls = (kernel.open, kernel.ioctl, kernel.shut)
    return UsbTmc({}, connect_s=0.5, reply_s=0.8, most_bytes=most, calls=calls)


CLEARED = [(b"\1", 0.0), (b"\1\0", 0.0)]


def opened(*answers: Any, patch: pytest.MonkeyPatch, **how: Any) -> tuple[UsbTmc, Kernel]:
    took = how.pop("took", ())
    kernel = Kernel(*CLEARED, *answers, took=took)
    one = made(kernel, patch, **how)
    one.open()
    kernel.trace.clear()
    return one, kernel


def control(request: int, size: int, within_ms: int) -> tuple[Any, ...]:
    return ("control", 0xA1, request, 0, INTERFACE, size, within_ms)


OPEN = ("open", "/dev/bus/usb/001/005", os.O_RDWR | os.O_CLOEXEC)
CLAIMED = ("claim", INTERFACE, 2, b"usbfs")
UNHALTED = [("unhalt", OUT), ("unhalt", INTO)]


def test_opened_used_and_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = Kernel(*CLEARED)
    one = made(kernel, monkeypatch)
    one.close()
    assert kernel.trace == [], "of what is not open nothing is closed"
    one.open()
    assert kernel.trace == [OPEN, CLAIMED, control(5, 1, 500), control(6, 2, 500), *UNHALTED]
    one.close()
    one.close()
    assert kernel.trace[6:] == [("release", INTERFACE), ("shut",)]
    with pytest.raises(ConnectionError, match="USB: not open"):
        one.send(b"OFF\n")


def test_by_the_kernels_own_calls() -> None:
    fcntl = pytest.importorskip("fcntl")
    one = UsbTmc({}, connect_s=0.5, reply_s=0.8, most_bytes=100)
    assert (one._open, one._ioctl, one._shut) == (os.open, fcntl.ioctl, os.close)


@pytest.mark.parametrize("what", ["release", "shut"])
def test_whatever_goes_wrong_at_closing_is_not_told(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    one, kernel = opened(patch=monkeypatch)
    kernel.fails[what] = GONE
    one.close()
    one.close()
    assert kernel.trace == [("release", INTERFACE), ("shut",)]


@pytest.mark.parametrize(
    ("what", "error", "said", "closes"),
    [
        ("open", PermissionError(errno.EACCES, "no"), "no right to /dev/bus/usb/001/005: a udev rule", []),
        ("open", GONE, "No such device", []),
        ("claim", OSError(errno.EBUSY, "busy"), "USB: held by another program", [("release", INTERFACE), ("shut",)]),
        ("claim", GONE, "No such device", [("release", INTERFACE), ("shut",)]),
    ],
)
def test_an_opening_that_fails(
    what: str, error: OSError, said: str, closes: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel = Kernel()
    kernel.fails[what] = error
    one = made(kernel, monkeypatch)
    with pytest.raises(OSError, match=said) as raised:
        one.open()
    assert raised.value.errno == error.errno
    kernel.trace.clear()
    if not closes:
        with pytest.raises(ConnectionError, match="USB: not open"):
            one.send(b"OFF\n")
    one.close()
    assert kernel.trace == closes


# -- clearing ----------------------------------------------------------------------------------------------------------

SPOILT = [control(5, 1, 500)]
READ = [("in", INTO, 64, 490)]
POLL = ("sleep", 0.01)


@pytest.mark.parametrize(
    ("answers", "done", "again"),
    [
        (CLEARED, [control(5, 1, 500), control(6, 2, 500)], True),
        ([(b"\1", 0.1), (b"\1\1", 0.0)], [control(5, 1, 500), control(6, 2, 400)], True),
        (
            [(b"\1", 0.0), (b"\2\0", 0.0), (b"\1\0", 0.0)],
            [control(5, 1, 500), control(6, 2, 500), ("sleep", 0.01), control(6, 2, 490)],
            True,
        ),
        (
            [(b"\1", 0.0), (b"\2\2", 0.0), (b"\2\3", 0.0), (b"x" * 64, 0.0), (b"\1\0", 0.0)],
            [*SPOILT, control(6, 2, 500), POLL, control(6, 2, 490), *READ, POLL, control(6, 2, 480)],
            True,
        ),
        ([(b"\x80", 0.0)], SPOILT, False),
        ([(b"\0", 0.0)], SPOILT, False),
        ([(b"\1", 0.0, 0)], SPOILT, False),
        ([(BrokenPipeError(errno.EPIPE, "stalled"), 0.0)], SPOILT, False),
        ([(b"\1", 0.0), (b"\x80\1", 0.0)], [*SPOILT, control(6, 2, 500)], False),
        ([(b"\1", 0.0), (b"\1", 0.0)], [*SPOILT, control(6, 2, 500)], False),
        ([(b"\1", 0.5)], SPOILT, False),
        ([(b"\1", 0.0), (b"\2\0", 0.49)], [*SPOILT, control(6, 2, 500), ("sleep", 0.01)], False),
    ],
)
def test_a_clear_and_whether_the_next_opening_clears(
    answers: list[Any], done: list[Any], again: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel = Kernel(*answers, *CLEARED)
    one = made(kernel, monkeypatch)
    one.open()
    assert kernel.trace == [OPEN, CLAIMED, *done, *UNHALTED]
    kernel.trace.clear()
    one.open()
    assert [one[0] for one in kernel.trace] == [
        "open",
        "claim",
        *(["control"] * 2 if again else []),
        "unhalt",
        "unhalt",
    ]


def test_one_that_goes_away_while_it_is_cleared_is_cleared_when_it_is_back(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = Kernel((GONE, 0.0), *CLEARED)
    one = made(kernel, monkeypatch)
    with pytest.raises(OSError, match="No such device"):
        one.open()
    assert kernel.trace == [OPEN, CLAIMED, control(5, 1, 500)]
    kernel.trace.clear()
    one.open()
    assert kernel.trace == [OPEN, CLAIMED, control(5, 1, 500), control(6, 2, 500), *UNHALTED]


def test_an_endpoint_that_cannot_be_freed_is_used_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = Kernel(*CLEARED)
    kernel.fails["unhalt"] = BrokenPipeError(errno.EPIPE, "stalled")
    made(kernel, monkeypatch).open()
    assert kernel.trace[-2:] == UNHALTED


# -- messages ----------------------------------------------------------------------------------------------------------


def header(message: int, tag: int, size: int, attributes: int) -> bytes:
    return bytes([message, tag, 255 - tag, 0]) + size.to_bytes(4, "little") + bytes([attributes, 0, 0, 0])


def asked(tag: int) -> bytes:
    return header(2, tag, 4080, 0)


def came(tag: int, data: bytes, attributes: int = 1) -> bytes:
    return header(2, tag, len(data), attributes) + data + b"\0" * (-len(data) % 4)


@pytest.mark.parametrize(("data", "padded"), [(b"OFF\n", b"OFF\n"), (b"INP 0\n", b"INP 0\n\0\0"), (b"", b"")])
def test_a_message_out(data: bytes, padded: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    one, kernel = opened(patch=monkeypatch)
    one.send(data)
    assert kernel.trace == [("out", header(1, FIRST, len(data), 1) + padded, 800)]


def test_tags_go_round_without_a_nought(monkeypatch: pytest.MonkeyPatch) -> None:
    one, kernel = opened(patch=monkeypatch)
    for _ in range(255 - FIRST + 2):
        one.send(b"")
    assert [told[1] for _, told, _ in kernel.trace][-3:] == [254, 255, 1]


@pytest.mark.parametrize("took", [15, 17, 0])
def test_a_message_that_was_not_taken_whole(took: int, monkeypatch: pytest.MonkeyPatch) -> None:
    one, _ = opened(patch=monkeypatch, took=((took, 0.0),))
    with pytest.raises(ConnectionError, match=f"USB: {took} of 16 bytes were taken"):
        one.send(b"OFF\n")


@pytest.mark.parametrize(("packet", "size"), [(8, 4104), (64, 4160), (512, 4608)])
def test_room_for_all_that_was_asked_for_in_whole_packets(
    packet: int, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, kernel = opened((came(FIRST, b"x" * 4080), 0.3), patch=monkeypatch, packet=packet)
    assert one.read() == b"x" * 4080
    assert kernel.trace == [("out", asked(FIRST), 800), ("in", INTO, size, 800)]
    assert size >= 4080 + 12 + packet
    assert size % packet == 0


def test_a_message_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    pieces = [(came(FIRST, b"01", 0), 0.3), (came(FIRST + 1, b"234", 2), 0.1), (came(FIRST + 2, b"", 3), 0.1)]
    one, kernel = opened(*pieces, patch=monkeypatch)
    assert one.read() == b"01234"
    assert [one[-1] for one in kernel.trace] == [800, 800, 500, 500, 400, 400]
    assert [one[1] for one in kernel.trace if one[0] == "out"] == [asked(FIRST + n) for n in range(3)]


def test_what_answers_an_earlier_request_is_thrown_away(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = [(came(FIRST - 1, b"OLD"), 0.3), (came(FIRST, b"0"), 0.1)]
    one, kernel = opened(*answers, patch=monkeypatch)
    assert one.read() == b"0"
    assert kernel.trace == [("out", asked(FIRST), 800), ("in", INTO, 4160, 800), ("in", INTO, 4160, 500)]


@pytest.mark.parametrize("most", [4, 5])
def test_no_more_is_held_than_may_be(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = [(came(FIRST, b"0123", 0), 0.0), (came(FIRST + 1, b"4"), 0.0)]
    one, _ = opened(*answers, patch=monkeypatch, most=most)
    assert one.read() == {4: None, 5: b"01234"}[most]


@pytest.mark.parametrize(
    "wrong",
    [
        header(3, FIRST, 4, 1) + b"1111",
        header(1, FIRST, 4, 1) + b"1111",
        header(2, FIRST, 5, 1) + b"1111",
        bytes([2, FIRST, 254 - FIRST, 0, 4, 0, 0, 0, 1, 0, 0, 0]) + b"1111",
        came(FIRST, b"")[:11],
        b"",
    ],
)
def test_what_is_no_answer(wrong: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    one, _ = opened((wrong, 0.1), patch=monkeypatch)
    said = f"too short an answer \\({len(wrong)} bytes\\)" if len(wrong) < 12 else f"no such answer: {wrong[:12].hex()}"
    with pytest.raises(ConnectionError, match=f"USB: {said}"):
        one.read()


@pytest.mark.parametrize(
    ("answers", "took", "within_ms"),
    [
        ([(TimeoutError(errno.ETIMEDOUT, "timed out"), 0.8)], (), [800, 800]),
        ([(came(FIRST, b"0", 0), 0.8)], (), [800, 800]),
        ([], ((12, 0.8),), [800]),
        ([(TimeoutError(errno.ETIMEDOUT, "timed out"), 0.0)], ((12, 0.7999),), [800, 1]),
    ],
)
def test_no_answer_in_time(
    answers: list[Any], took: tuple[Any, ...], within_ms: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, kernel = opened(*answers, patch=monkeypatch, took=took)
    assert one.read() is None
    assert [one[-1] for one in kernel.trace] == within_ms, "never 0, which is without end"


def test_one_that_went_away_is_no_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    one, _ = opened((GONE, 0.1), patch=monkeypatch)
    with pytest.raises(OSError, match="No such device"):
        one.read()
