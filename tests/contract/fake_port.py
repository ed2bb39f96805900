"""A serial port of our own in the place of PySerial's."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.wire_serial import SerialLine
from drivers.wire_visa import VisaWire


class FakePort:
    """A port that takes and gives bytes; ``faults`` are raised by the call of that name. ``ignores`` holds settings
    that are dropped without a word. Counts how often DTR and RTS were touched."""

    def __init__(self, line: SerialLine) -> None:
        self.__dict__ |= {"ignores": {}, "faults": {}, "calls": [], "touched": 0, "timeout": None, "came": b""}
        self.__dict__ |= {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}
        self.__dict__ |= {"xonxoff": False, "rtscts": False, "dsrdtr": False, "banner": b"", "heard": []}
        self.__dict__["answer"] = lambda data: {b"*IDN?\n": b"OURS,IT,1,0\n"}.get(data, b"")

    def __setattr__(self, key: str, value: object) -> None:
        if key in ("dtr", "rts"):
            self.__dict__["touched"] += 1
        self.__dict__[key] = self.ignores.get(key, value)

    def _do(self, what: str) -> None:
        self.calls.append(what)
        if what in self.faults:
            raise self.faults[what]

    def reset_input_buffer(self) -> None:
        # What an instrument says by itself comes a moment later than that.
        self.came = self.banner

    def write(self, data: bytes) -> int:
        self._do("write")
        self.heard.append(data)
        self.came += self.answer(data)
        return len(data)

    def read(self, count: int = 1) -> bytes:
        self._do("read")
        out, self.came = self.came[:count], self.came[count:]
        return out

    @property
    def in_waiting(self) -> int:
        return len(self.came)

    def close(self) -> None:
        self._do("close")


def wire_to(make: Callable[[SerialLine], FakePort], line: SerialLine | None = None) -> tuple[VisaWire, list[FakePort]]:
    ports: list[FakePort] = []

    def opened(name: str, line: SerialLine) -> FakePort:
        ports.append(make(line))
        return ports[-1]

    address = "ASRL/dev/port::INSTR"
    wire = VisaWire(
        name="it", address=address, monotonic=time.monotonic, timeout_s=0.1, serial_line=line, opened=opened
    )
    return wire, ports
