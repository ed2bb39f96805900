"""The guard over USB, on a fake of the few calls of the kernel: no USB hardware is here. What acts on a real bench is
seen when the guard is made to act before a run that is left alone."""

from __future__ import annotations

import functools
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_usb import INTO, OUT, Device, plug
from guard_fakes import TOLD

from harness import guard_lines, guard_ways
from harness.guard_lines import Line
from harness.guard_outputs import Output
from harness.guard_usb import UsbTmc
from harness.guard_usb_place import find
from harness.guard_ways import NotReachable, way_of

WAY: dict[str, Any] = {
    **{"kind": "usb", "maker": 0x1234, "model": 0x5678, "serial": "a1", "interface": 0, "shared": False},
    **{"terminator": "0a", "gap_s": None, "echo": False, "pace_s": 0.0, "boot_s": 0.0},
}


@pytest.fixture
def device() -> Device:
    return Device({b"ON?": b"0\n", b"AMPS?": b"0.001\n"})


@pytest.fixture
def one(device: Device, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Output:
    plug(tmp_path, "1-1", number=5)
    made = functools.partial(UsbTmc, root=str(tmp_path), nodes=str(tmp_path), calls=device.calls)
    monkeypatch.setitem(guard_lines.WHOLE, "usb", made)
    monkeypatch.setattr(guard_lines, "REPLY_S", 0.05)
    monkeypatch.setattr("harness.guard_outputs.FRESH_APART_S", 0.0)
    return Output("psu", Line(WAY), TOLD)


def confirmed(one: Output) -> bool:
    sent = one.switch_off()
    one.look()
    return sent and one.off.is_set()


def test_off_is_sent_and_confirmed(one: Output, device: Device) -> None:
    assert confirmed(one), one.last
    assert one.last == "says off, 0.001 A, 0.001 A"
    assert device.heard == [b"REM", b"OFF", b"SEL 1", b"ON?", b"AMPS?", b"AMPS?"]
    one.let_go()
    assert device.trace == ["open 001/005", "clear", "release", "shut"]


def _driver(device: Device) -> None:
    device.holder = "usbtmc"


def _aborted(device: Device) -> None:
    """Killed in the middle of a read: it was asked for, and the answer stands there."""
    device.owed, device.asked, device.tag = b"1\n", 77, 77


def _stalled(device: Device) -> None:
    device.halted = {OUT, INTO}


def _pending(device: Device) -> None:
    device.pending = 3


def _in_pieces(device: Device) -> None:
    device.piece = 2


def _no_clear(device: Device) -> None:
    device.refuses_clear = True


@pytest.mark.parametrize(
    "arrange", [_driver, _aborted, _stalled, _pending, _in_pieces, _no_clear], ids=lambda one: one.__name__
)
def test_however_it_was_left(arrange: Callable[[Device], None], one: Output, device: Device) -> None:
    arrange(device)
    assert confirmed(one), one.last


def test_the_answer_to_a_dead_ones_read_is_no_answer(one: Output, device: Device) -> None:
    """Where it cannot be cleared: by the tag of the request."""
    device.refuses_clear = True
    one.line.open()
    device.owed, device.asked, device.tag = b"ZZ", 200, 201
    device.piece = 1
    one.line.send(b"X")
    device.asked = 200 if one.line._whole._tag != 200 else 199
    assert one.line._whole.read() == b"Z"


def test_a_stall_in_the_middle(one: Output, device: Device) -> None:
    assert one.switch_off()
    device.halted = {INTO}
    one.look()
    assert not one.off.is_set()
    one.look()
    assert one.off.is_set(), one.last


def test_one_that_was_away_and_has_another_number(one: Output, device: Device, tmp_path: Path) -> None:
    assert one.switch_off()
    device.away = True
    shutil.rmtree(tmp_path / "1-1")
    one.look()
    assert "No such device" in one.last
    assert not one.switch_off()
    assert "0x1234::0x5678::a1 is plugged in" in one.last
    device.away, device.claimed = False, False
    plug(tmp_path, "2-3", number=6)
    assert confirmed(one), one.last
    assert "open 001/006" in device.trace


@pytest.mark.parametrize(
    ("arrange", "words"),
    [
        ({"right": False}, "001/005: a udev rule must give it to whoever starts the run"),
        ({"holder": "usbfs"}, "held by another program"),
        ({"deaf": True}, "timed out"),
    ],
)
def test_what_may_be_wrong_there(arrange: dict[str, Any], words: str, one: Output, device: Device) -> None:
    for key, value in arrange.items():
        setattr(device, key, value)
    began = time.monotonic()
    assert not confirmed(one)
    assert words in one.last
    assert time.monotonic() - began < 0.5
    assert not one.line.is_open


def test_an_answer_that_does_not_come(one: Output, device: Device) -> None:
    device.replies[b"ON?"] = b""
    assert one.switch_off()
    assert one._ask("ask") == ""
    assert not one.line.is_open, "a read is in the middle: cleared at the next opening"
    device.replies[b"ON?"] = b"1\n"
    assert one._ask("ask") == "1"
    assert device.trace.count("clear") == 2


# -- where it is -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("others", "more", "words"),
    [
        ({}, {"serial": "B2"}, "no device 0x1234::0x5678::B2 is plugged in"),
        ({}, {"interface": 2}, "no interface 2 for test and measurement"),
        ({"name": "2-1", "number": 9}, {}, "2 devices say they are"),
        ({"name": "1-1", "number": 5, "subclass": "01"}, {}, "no interface for test and measurement"),
    ],
)
def test_where_it_is_not(others: dict[str, Any], more: dict[str, Any], words: str, tmp_path: Path) -> None:
    plug(tmp_path, "1-1", number=5)
    plug(tmp_path, "1-2", number=6, serial="C3")
    if others:
        plug(tmp_path, **others)
    with pytest.raises(OSError, match=words):
        find(WAY | more, root=str(tmp_path))


class Session:
    terminator, gap_s, echo, pace_s, boot_s = b"\n", None, False, 0.0, 0.0
    address = "USB0::0x1234::0x5678::A1::INSTR"

    @property
    def wire(self) -> Session:
        return self


def test_the_way_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session: Any = Session()
    plug(tmp_path, "1-1", number=5)
    here = functools.partial(find, root=str(tmp_path), nodes=str(tmp_path))
    monkeypatch.setattr(guard_ways, "find", here)
    with pytest.raises(NotReachable, match="udev rule"):
        way_of(session)
    (tmp_path / "001").mkdir()
    (tmp_path / "001" / "005").touch()
    assert way_of(session) == WAY
