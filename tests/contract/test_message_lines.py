"""Message-based lines (USB, GPIB, LAN) at the library's public interface: a resource of our own stands in for pyvisa's,
as there is no such hardware here. What a real HiSLIP line does is in the contract suite.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
import serial
from fake_resource import ADDRESSES, LATE, MISSING, TIMEOUT_S, FakeResource, wire_to
from pyvisa.constants import StatusCode
from pyvisa.errors import InvalidSession, UnknownHandler, VisaIOError

from drivers.session import Session
from drivers.wire import CALL_DEADLINE_S, Lost, Timeout
from drivers.wire_visa import VisaWire

SLACK_S = 0.3


@pytest.fixture
def resource() -> FakeResource:
    return FakeResource()


def use(wire: VisaWire) -> None:
    wire.open()
    wire.query("A?")


@pytest.fixture(params=ADDRESSES)
def wire(request: pytest.FixtureRequest, resource: FakeResource) -> Iterator[VisaWire]:
    one = wire_to(resource, request.param)
    yield one
    one.close()


def test_the_end_of_the_message_is_the_end_of_the_reply(wire: VisaWire, resource: FakeResource) -> None:
    resource.replies |= {b"A?\n": b"1", b"B?\n": b"2\r\n\0", b"C?\n": b"", b"D?\n": b"x" * 3000}
    wire.open()
    assert [wire.query(f"{one}?") for one in "ABCD"] == [b"1", b"2", b"", b"x" * 3000]


def test_two_lines_in_one_message_are_refused(wire: VisaWire, resource: FakeResource) -> None:
    resource.replies[b"A?\n"] = b"12.801\n1.200\n"
    wire.open()
    with pytest.raises(Lost, match="more than one reply"):
        wire.query("A?")


def test_without_terminator_too(resource: FakeResource) -> None:
    wire = wire_to(resource, terminator=b"")
    resource.replies[b"A?"] = b"12.801"
    wire.open()
    assert wire.query("A?") == b"12.801"
    wire.close()


def test_deadlines_are_those_of_the_wire(wire: VisaWire, resource: FakeResource) -> None:
    wire.open()
    wire.query("*IDN?")
    assert 1 <= resource.timeout <= 1000 * TIMEOUT_S


# -- silence -----------------------------------------------------------------------------------------------------------


def test_one_clear_and_one_more_question(wire: VisaWire, resource: FakeResource) -> None:
    resource.faults["clear"] = lambda: resource.replies.update({b"A?\n": b"1\n"})
    session = Session(wire)
    session.open()
    assert (session.ask("A?"), session.ask("MEAS:VOLT?")) == (b"1", b"12.801")
    assert resource.heard == [b"*IDN?\n", b"A?\n", b"A?\n", b"*IDN?\n", b"MEAS:VOLT?\n"]
    assert (session.openings, resource.calls.count("clear")) == (1, 1)


def test_no_answer_after_clear(wire: VisaWire, resource: FakeResource) -> None:
    wire.open()
    start = time.monotonic()
    with pytest.raises(Timeout, match="no answer after clear") as caught:
        wire.query("A?")
    assert time.monotonic() - start < 1.5 * TIMEOUT_S + SLACK_S
    assert (caught.value.sent, str(caught.value).count("\n")) == (b"A?\n", 0)
    assert resource.heard == [b"A?\n", b"A?\n"]
    assert resource.calls[-1] == "close"
    assert not wire.is_open


@pytest.mark.parametrize("fault", [RuntimeError("dropped"), OSError(5, "I/O"), VisaIOError(StatusCode.error_io), LATE])
def test_a_clear_that_fails(wire: VisaWire, resource: FakeResource, fault: Exception) -> None:
    resource.faults["clear"] = fault
    wire.open()
    with pytest.raises(Timeout, match="no answer after clear"):
        wire.query("A?")
    assert resource.heard == [b"A?\n"]


@pytest.mark.parametrize("fault", [MISSING, NotImplementedError()])
def test_a_line_that_cannot_clear_is_closed_as_any_other(
    wire: VisaWire, resource: FakeResource, fault: Exception
) -> None:
    resource.faults["clear"] = fault
    wire.open()
    with pytest.raises(Timeout, match=r"no whole reply within 0\.1 s"):
        wire.query("A?")
    assert (resource.heard, wire.clears) == ([b"A?\n"], 0)


def test_an_order_that_is_late_is_not_repeated(wire: VisaWire, resource: FakeResource) -> None:
    resource.faults["write"] = LATE
    wire.open()
    with pytest.raises(Timeout):
        wire.write("VOLT 12")
    assert [call for call in resource.calls if call != "stb"] == ["open", "write", "close"]


@pytest.mark.parametrize("where", ["write", "read", "clear", "close", "open"])
def test_a_library_that_never_comes_back(wire: VisaWire, resource: FakeResource, where: str) -> None:
    """Its own time-outs hold for a piece of a reply, if at all; the deadline holds all the same."""
    stuck = threading.Event()
    resource.faults[where] = lambda: stuck.wait(10) and None
    start = time.monotonic()
    with pytest.raises(Timeout) as caught:
        use(wire)
    assert time.monotonic() - start < 1.0
    assert "\n" not in str(caught.value)
    assert not wire.is_open
    heard = list(resource.heard)
    with pytest.raises(Lost, match="closed"):
        wire.query("A?")
    assert resource.heard == heard
    stuck.set()
    give_up = time.monotonic() + 2
    while "open" in resource.calls and "close" not in resource.calls and time.monotonic() < give_up:
        time.sleep(0.005)  # the thread that was left behind is the machine's
    assert resource.calls.count("close") == 1, "what was left behind lets go of the resource when it comes back"


@pytest.mark.parametrize("address", [*ADDRESSES, "TCPIP::bench.local::5025::SOCKET"])
def test_an_opening_that_never_comes_back(resource: FakeResource, address: str) -> None:
    """A name that is looked up, for example: the system sets that no limit."""
    stuck = threading.Event()
    resource.faults["open"] = lambda: stuck.wait(10) and None
    resource.visalib, resource.session = type("Lib", (), {"sessions": {}})(), 1  # type: ignore[attr-defined]
    wire = wire_to(resource, address)
    start = time.monotonic()
    with pytest.raises(Timeout, match="the line did not open in time; check power"):
        wire.open()
    assert time.monotonic() - start < 1.0
    stuck.set()
    give_up = time.monotonic() + 2
    while "close" not in resource.calls and time.monotonic() < give_up:
        time.sleep(0.005)
    assert resource.calls == ["open", "close"]


def test_a_short_write_is_lost(wire: VisaWire, resource: FakeResource, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resource, "write_raw", lambda message: len(message) - 1)
    wire.open()
    with pytest.raises(Lost, match="5 of 6 bytes were taken"):
        wire.write("VOLT1")


# -- every kind of error, from every call ----------------------------------------------------------------------------


KINDS: list[Exception] = [
    *(VisaIOError(StatusCode[f"error_{code}"]) for code in ("timeout", "io", "connection_lost", "resource_not_found")),
    *(PermissionError(13, "denied"), OSError(22, "invalid"), OSError(5, "I/O"), BrokenPipeError(), EOFError()),
    *(ConnectionResetError(), ConnectionRefusedError(), RuntimeError("dropped"), Exception("could not connect")),
    *(InvalidSession(), UnknownHandler(1, None, None), NotImplementedError(), TypeError(), ValueError("two\nlines")),
    *(serial.SerialException("gone"), AssertionError(), MemoryError(), KeyError("x"), AttributeError("x")),
]


@pytest.mark.parametrize("fault", KINDS, ids=repr)
@pytest.mark.parametrize("where", ["open", "write", "read"])
def test_every_kind_comes_out_as_one_of_two(resource: FakeResource, fault: Exception, where: str) -> None:
    wire = wire_to(resource)
    resource.faults |= {where: fault, "close": RuntimeError("closing failed too"), "clear": MISSING}
    late = isinstance(fault, VisaIOError) and fault.error_code == StatusCode.error_timeout
    with pytest.raises((Timeout, Lost)) as caught:
        use(wire)
    assert type(caught.value) is (Timeout if late else Lost)
    assert "\n" not in str(caught.value)
    assert "closing failed" not in str(caught.value)
    assert not wire.is_open


# -- USB: the clear the back end lacks ---------------------------------------------------------------------------------


class Endpoint:
    bEndpointAddress = 0x02  # noqa: N815 (names of pyusb)
    wMaxPacketSize = 64  # noqa: N815

    def __init__(self) -> None:
        self.reads = 0

    def read(self, size: int, timeout_ms: int) -> bytes:
        self.reads += 1
        return b""


class UsbDevice:
    """Answers each request with the next of its statuses."""

    def __init__(self, *statuses: bytes) -> None:
        self.statuses = list(statuses)
        self.requests: list[tuple[int, ...]] = []
        self.halts: list[int] = []

    def ctrl_transfer(self, *request: int, timeout: int) -> bytes:
        self.requests.append(request)
        return self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]

    def clear_halt(self, endpoint: int) -> None:
        self.halts.append(endpoint)


def usb(resource: FakeResource, *statuses: bytes) -> UsbDevice:
    device = UsbDevice(*statuses)
    interface = type("Interface", (), {})()
    interface.usb_dev, interface.usb_intf = device, type("Place", (), {"bInterfaceNumber": 3})()
    interface.usb_recv_ep, interface.usb_send_ep = Endpoint(), Endpoint()
    resource.session = "s"  # type: ignore[attr-defined]
    resource.visalib = type("Lib", (), {"sessions": {"s": type("S", (), {"interface": interface})()}})()  # type: ignore[attr-defined]
    resource.faults["clear"] = MISSING
    device.interface = interface  # type: ignore[attr-defined]
    return device


def test_a_usb_instrument_is_cleared_by_its_class_requests(resource: FakeResource) -> None:
    # STATUS_SUCCESS; then pending with bytes to be read out, pending, done (USBTMC 1.0, 4.2.1.6 and 4.2.1.7).
    device = usb(resource, b"\x01", b"\x02\x01", b"\x02\x00", b"\x01\x00")
    wire = wire_to(resource)
    wire.open()
    with pytest.raises(Timeout, match="no answer after clear"):
        wire.query("A?")
    assert device.requests == [(0xA1, 5, 0, 3, 1), *[(0xA1, 6, 0, 3, 2)] * 3]
    assert device.interface.usb_recv_ep.reads == 1  # type: ignore[attr-defined]
    assert device.halts == [0x02]
    assert resource.heard == [b"A?\n", b"A?\n"]


@pytest.mark.parametrize("statuses", [[b"\x80"], [b"\x01", b"\x80\x00"], [b"\x01", b"\x02\x00"]])
def test_a_usb_instrument_that_cannot_be_cleared(resource: FakeResource, statuses: list[bytes]) -> None:
    usb(resource, *statuses)
    wire = wire_to(resource)
    wire.open()
    with pytest.raises(Timeout, match="no answer after clear"):
        wire.query("A?")
    assert resource.heard == [b"A?\n"]


def test_where_there_is_no_clear_the_whole_deadline_is_for_the_one_answer(resource: FakeResource) -> None:
    wire = wire_to(resource, timeout_s=0.4)
    resource.faults["clear"] = MISSING
    for within_s in ("0.24", "0.4", "0.4"):
        wire.open()
        with pytest.raises(Timeout, match=f"no whole reply within {within_s} s"):
            wire.query("A?")


def test_at_the_usual_deadline_silence_is_told_within_a_second(resource: FakeResource) -> None:
    """The loop of a bench ends a run for an exchange that takes longer."""
    wire = wire_to(resource, timeout_s=CALL_DEADLINE_S)
    wire.open()
    start = time.monotonic()
    with pytest.raises(Timeout, match="no answer after clear"):
        wire.query("A?")
    assert 0.6 < time.monotonic() - start < 1.0
