"""Whatever the libraries under a wire can raise comes out as one of two kinds, from every hook, as a single line."""

from __future__ import annotations

import importlib
import inspect

import pytest
import serial
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from drivers.wire import Lost, Timeout
from drivers.wire_visa import VisaWire

PLACES = [
    *("builtins", "socket", "select", "struct", "termios", "ssl"),
    *("pyvisa.errors", "pyvisa.rname", "pyvisa.highlevel", "pyvisa.attributes", "pyvisa.resources.resource"),
    *("pyvisa_py.sessions", "pyvisa_py.highlevel", "pyvisa_py.tcpip", "pyvisa_py.serial", "pyvisa_py.common"),
    *("serial", "serial.serialutil", "serial.serialposix"),
]


def _kinds() -> list[type[Exception]]:
    kinds = {
        value
        for place in PLACES
        for value in vars(importlib.import_module(place)).values()
        if inspect.isclass(value) and issubclass(value, Exception) and not issubclass(value, Warning)
    }
    return sorted(kinds, key=lambda kind: (kind.__module__, kind.__qualname__))


KINDS = _kinds()


def _bare(kind: type[Exception]) -> Exception:
    """One of that kind, not initialised: the worst case for whoever wants to print it."""
    return kind.__new__(kind, "x", [Exception()]) if issubclass(kind, ExceptionGroup) else kind.__new__(kind)


class Faulty:
    """A stream whose every call fails as told."""

    def __init__(self, error: Exception) -> None:
        self.error = error
        self.fails: set[str] = set()

    def _do(self, what: str, good: bytes = b"") -> bytes:
        if what in self.fails:
            raise self.error
        return good

    def send(self, data: bytes, *, within_s: float) -> None:
        self._do("send")

    def clear(self) -> bool:
        return False

    def receive(self, within_s: float) -> bytes:
        return self._do("receive", b"1\n")

    def waiting(self) -> bytes:
        return self._do("waiting")

    def close(self) -> None:
        self._do("close")


def _wire(error: Exception, *fails: str) -> VisaWire:
    wire = VisaWire(name="it", address="TCPIP::127.0.0.1::1::SOCKET", monotonic=lambda: 0.0)
    faulty = Faulty(error)
    faulty.fails = set(fails)

    def opened() -> None:
        faulty._do("open")
        wire._stream = faulty

    wire._open = opened
    return wire


def _use(wire: VisaWire) -> None:
    wire.open()
    wire.query("A?")


def test_the_list_is_not_short():
    names = {kind.__name__ for kind in KINDS}
    assert {"VisaIOError", "InvalidSession", "UnknownAttribute", "OpenError", "SerialException", "error"} <= names
    assert {"BrokenPipeError", "ConnectionResetError", "TimeoutError", "NotImplementedError", "TypeError"} <= names


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: f"{kind.__module__}.{kind.__qualname__}")
@pytest.mark.parametrize("hook", ["open", "waiting", "send", "receive"])
def test_every_kind_from_every_hook(kind, hook):
    wire = _wire(_bare(kind), hook, "close")  # closing fails on top of it, and must not hide it
    with pytest.raises((Timeout, Lost)) as caught:
        _use(wire)
    late = issubclass(kind, TimeoutError | serial.SerialTimeoutException)
    assert type(caught.value) is (Timeout if late else Lost)
    assert caught.value.__cause__ is not None
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("it at TCPIP::")
    assert not wire.is_open


@pytest.mark.parametrize("code", [code for code in StatusCode if code < 0], ids=lambda code: code.name)
def test_every_status_of_the_visa_library(code):
    wire = _wire(VisaIOError(code), "receive")
    wire.open()
    with pytest.raises(Timeout if code is StatusCode.error_timeout else Lost):
        wire.query("A?")


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, GeneratorExit])
def test_a_stop_is_not_an_error_of_the_line(stop):
    wire = _wire(stop(), "receive", "close")
    wire.open()
    with pytest.raises(stop):
        wire.query("A?")
    assert not wire.is_open
