"""A wire over PyVISA: ``TCPIP::HOST::PORT::SOCKET`` and ``ASRLPORT::INSTR`` on the pure-Python back end.

PyVISA finds, opens, sets up and closes the resource. The bytes of an exchange are moved here, on the socket or port
it opened, because on a byte stream its own read cannot be given a deadline for a whole reply (each byte that arrives
starts it anew), spins at full load when the other end has closed, and its write waits without limit. TCP_NODELAY must
be set there as well: the back end never does, and a message without a reply followed by a question then costs 40 ms
(Nagle's algorithm against the delayed acknowledgement, RFC 896 and RFC 1122 4.2.3.2).
"""

from __future__ import annotations

import select
import socket
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from drivers.wire import CALL_DEADLINE_S, Exchange, Wire

OPEN_DEADLINE_S = 0.5
"""Longest wait for a connection, s; the back end's own default is 10 s."""

CHUNK_BYTES = 4096


@dataclass(frozen=True, slots=True)
class SerialLine:
    """Settings of a serial port; each is read back after it was set."""

    baud: int = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "xon_xoff", "rts_cts"] = "none"


class VisaWire(Wire):
    """``monotonic()`` is machine time in s; ``open_timeout_s`` bounds the connection, ``timeout_s`` each reply."""

    def __init__(
        self,
        *,
        name: str,
        address: str,
        monotonic: Callable[[], float],
        tap: Callable[[Exchange], None] | None = None,
        timeout_s: float = CALL_DEADLINE_S,
        open_timeout_s: float = OPEN_DEADLINE_S,
        terminator: bytes = b"\n",
        gap_s: float | None = None,
        echo: bool = False,
        pace_s: float = 0.0,
        serial_line: SerialLine | None = None,
    ) -> None:
        super().__init__(
            name=name,
            address=address,
            tap=tap,
            timeout_s=timeout_s,
            terminator=terminator,
            gap_s=gap_s,
            echo=echo,
            pace_s=pace_s,
        )
        self._monotonic = monotonic
        self._open_timeout_s = open_timeout_s
        self._serial_line = serial_line
        self._deadline = 0.0
        self._resource: Any = None
        self._stream: _Stream | None = None

    def _open(self) -> None:
        import pyvisa  # here, because it takes longer to import than most commands take to run

        manager: Any = pyvisa.ResourceManager("@py")
        # Milliseconds, and not zero: the back end takes 0 as "use the default of 10 s".
        self._resource = manager.open_resource(self.address, open_timeout=max(1, round(1000 * self._open_timeout_s)))
        lower = manager.visalib.sessions[self._resource.session].interface
        if isinstance(lower, socket.socket):
            self._stream = _SocketStream(lower, timeout_s=self.timeout_s)
        elif hasattr(lower, "in_waiting"):
            self._stream = _SerialStream(lower, line=self._serial_line or SerialLine(), timeout_s=self.timeout_s)
        else:
            raise ConnectionError("only TCPIP::HOST::PORT::SOCKET and ASRLPORT::INSTR addresses are spoken")

    def _close(self) -> None:
        resource, self._resource, self._stream = self._resource, None, None
        if resource is not None:
            resource.close()

    def _send(self, data: bytes) -> None:
        assert self._stream is not None
        self._deadline = self._monotonic() + self.timeout_s
        self._stream.send(data)

    def _receive(self, gap_s: float | None) -> bytes:
        assert self._stream is not None
        left_s = self._deadline - self._monotonic()
        if left_s <= 0:
            raise TimeoutError
        if gap_s is not None and gap_s < left_s:
            return self._stream.receive(gap_s)
        came = self._stream.receive(left_s)
        if not came:
            raise TimeoutError
        return came

    def _waiting(self) -> bytes:
        assert self._stream is not None
        return self._stream.waiting()

    def _pause(self, seconds: float) -> None:
        threading.Event().wait(seconds)

    def _timed_out(self, error: BaseException) -> bool:
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError
        from serial import SerialTimeoutException

        if isinstance(error, VisaIOError):
            return getattr(error, "error_code", None) == StatusCode.error_timeout
        return isinstance(error, TimeoutError | SerialTimeoutException)


class _Stream(ABC):
    @abstractmethod
    def send(self, data: bytes) -> None: ...

    @abstractmethod
    def receive(self, within_s: float) -> bytes:
        """What comes next; ``b""`` when nothing came in time."""

    @abstractmethod
    def waiting(self) -> bytes: ...


class _SocketStream(_Stream):
    def __init__(self, lower: socket.socket, *, timeout_s: float) -> None:
        # The back end takes a refused connection for an open one; the socket knows better.
        if code := lower.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(code, f"connection failed (errno {code})")
        lower.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        _keep_alive(lower)
        lower.settimeout(timeout_s)
        self._lower = lower

    def send(self, data: bytes) -> None:
        self._lower.sendall(data)

    def receive(self, within_s: float) -> bytes:
        if not select.select((self._lower,), (), (), within_s)[0]:
            return b""
        return self._took()

    def waiting(self) -> bytes:
        if not select.select((self._lower,), (), (), 0)[0]:
            return b""
        return self._took()

    def _took(self) -> bytes:
        data = self._lower.recv(CHUNK_BYTES)
        if not data:
            raise ConnectionError("the other end closed the connection")
        return data


def _keep_alive(lower: socket.socket) -> None:
    """Routers forget an idle connection after some minutes; the defaults of most systems ask after two hours."""
    lower.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            lower.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


class _SerialStream(_Stream):
    """A port of PySerial. Its time-out is set once: changing it re-configures the port on every call."""

    def __init__(self, lower: Any, *, line: SerialLine, timeout_s: float) -> None:
        self._lower = lower
        self._slice_s = timeout_s / 16
        lower.timeout = self._slice_s
        lower.write_timeout = timeout_s
        _set_up(lower, line)
        # What an earlier session did not read would be taken for our first answer.
        lower.reset_input_buffer()

    def send(self, data: bytes) -> None:
        self._lower.write(data)

    def receive(self, within_s: float) -> bytes:
        # Whole slices, so that neither a clock nor a port re-configuration is needed: at most one slice late.
        for _ in range(max(1, round(within_s / self._slice_s))):
            if first := self._lower.read(1):
                return bytes(first) + self.waiting()
        return b""

    def waiting(self) -> bytes:
        count = self._lower.in_waiting
        return bytes(self._lower.read(count)) if count else b""


def _set_up(lower: Any, line: SerialLine) -> None:
    wanted = {
        "baudrate": line.baud,
        "bytesize": line.data_bits,
        "parity": line.parity[0].upper(),
        "stopbits": line.stop_bits,
        "xonxoff": line.flow == "xon_xoff",
        "rtscts": line.flow == "rts_cts",
    }
    for key, value in wanted.items():
        if getattr(lower, key) != value:
            setattr(lower, key, value)
        if (held := getattr(lower, key)) != value:
            raise ConnectionError(f"serial port: {key} = {value} was set, {held} is held; the port cannot do it")
