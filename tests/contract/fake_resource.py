"""A resource of our own in the place of pyvisa's: what a USB, GPIB or LAN instrument is to the program."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from drivers.wire_visa import VisaWire

TIMEOUT_S = 0.1
ADDRESSES = ["USB0::0x1234::0x5678::SERIAL::INSTR", "GPIB0::5::INSTR", "TCPIP::bench.local::INSTR"]
WHO = b"OURS,SCRIPTED,1,0\n"
LATE = VisaIOError(StatusCode.error_timeout)
MISSING = VisaIOError(StatusCode.error_nonsupported_operation)


class FakeResource:
    """``replies`` by message; a message without one makes the next read time out. ``faults`` are raised by the call of
    that name; a fault that can be called is called."""

    def __init__(self) -> None:
        self.timeout = 0
        self.replies: dict[bytes, bytes] = {b"*IDN?\n": WHO, b"MEAS:VOLT?\n": b"12.801\n", b"MEAS:CURR?\n": b"1.200\n"}
        self.faults: dict[str, Exception | Callable[[], None]] = {}
        self.calls: list[str] = []
        self.heard: list[bytes] = []
        self._owed: bytes | None = None

    def _do(self, what: str) -> None:
        self.calls.append(what)
        fault = self.faults.get(what)
        if isinstance(fault, Exception):
            raise fault
        if fault is not None:
            fault()

    def write_raw(self, message: bytes) -> int:
        self._do("write")
        self.heard.append(message)
        self._owed = self.replies.get(message)
        return len(message)

    def read_raw(self) -> bytes:
        self._do("read")
        owed, self._owed = self._owed, None
        if owed is None:
            time.sleep(self.timeout / 1000)  # as the library waits
            raise LATE
        return owed

    def read_stb(self) -> int:
        self._do("stb")
        return 0 if self._owed is None else 16

    def clear(self) -> None:
        self._do("clear")
        self._owed = None

    def close(self) -> None:
        self._do("close")


def wire_to(resource: FakeResource, address: str = ADDRESSES[0], **keys: Any) -> VisaWire:
    def opened(address: str, open_timeout_s: float) -> FakeResource:
        resource._do("open")
        return resource

    return VisaWire(
        name="it",
        address=address,
        monotonic=time.monotonic,
        open_resource=opened,
        **({"timeout_s": TIMEOUT_S, "open_timeout_s": 0.1} | keys),
    )
