"""A line to nobody: what is said on it is held against the tape, and answered as it was answered then."""

from __future__ import annotations

from typing import Any

from drivers.dialect import Dialect
from drivers.wire_log import ReplayWire
from harness.config import InstrumentEntry
from harness.opening import Tap
from harness.replay_clock import ReplayClock
from harness.replay_tape import ReplayTape


class TapeWire(ReplayWire):
    """One instrument's line on a tape that all of them share."""

    def __init__(self, tape: ReplayTape, **keys: Any) -> None:
        super().__init__((), **keys)
        self._tape = tape

    def _next(self) -> Any:
        return self._tape.peek(self.name)

    def _take(self) -> Any:
        one = self._next()
        return None if one is None else self._tape.exchange(self.name, one.sent)

    def _send(self, data: bytes) -> None:
        if self._again:
            return
        self._now = one = self._tape.exchange(self.name, data)
        if (one.error or "").startswith("Lost"):
            self._fail(one)

    def _waiting(self) -> bytes:
        # What came while an instrument started is no message that could not be sent.
        return super()._waiting() if self.is_open else b""

    def _say(self, message: bytes, *, drop: bool = False) -> None:
        self._send(message + self.terminator)  # an echo is not in a record

    def _dismissed(self, message: bytes, *, answered: bool = True) -> bytes | None:
        self._send(message + self.terminator)
        one, self._now = self._now, None
        assert one is not None
        if one.error is not None:
            self._fail(one)
        return one.received


class Lines:
    """Makes the wires of a bench that is played."""

    def __init__(self, tape: ReplayTape, clock: ReplayClock) -> None:
        self._tape, self._clock = tape, clock

    def __call__(self, entry: InstrumentEntry, dialect: Dialect, tap: Tap) -> TapeWire:
        line = dialect.line
        wire = TapeWire(
            self._tape,
            name=entry.name,
            address=entry.address,
            pass_time=self._clock.machine_passes,
            tap=tap,
            terminator=line.terminator.encode(),
        )
        # What else is asked for of a wire, without what it does: that has happened.
        wire.echo, wire.boot_s = line.echo, line.boot_s
        return wire
