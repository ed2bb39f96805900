"""A wire to an instrument by its VISA resource name, on the pure-Python back end.

``TCPIP::HOST::PORT::SOCKET``, ``ASRLPORT::INSTR``, and the message-based ``TCPIP::HOST::NAME::INSTR`` (HiSLIP, VXI-11),
``USB::...::INSTR`` and ``GPIB::...::INSTR``. On the byte streams the bytes of an exchange are moved here, on the socket
or port itself, because the back end's own read cannot be given a deadline for a whole reply (each byte that arrives
starts it anew), spins at full load when the other end has closed, and its write waits without limit. TCP_NODELAY must
be set here as well: the back end never does, and a message without a reply followed by a question then costs 40 ms
(Nagle's algorithm against the delayed acknowledgement, RFC 896 and RFC 1122 4.2.3.2).
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
from collections.abc import Callable
from typing import Any

from drivers.timely import made_within
from drivers.wire import CALL_DEADLINE_S, Exchange, Wire
from drivers.wire_message import MessageStream, Resource
from drivers.wire_serial import SerialLine, SerialStream, open_port, port_name
from drivers.wire_stream import SocketStream, Stream

__all__ = ["OPEN_DEADLINE_S", "SerialLine", "VisaWire"]

OPEN_DEADLINE_S = 0.5
"""Longest wait for a connection, s; the back end's own default is 10 s."""

PORT_DEADLINE_S = 3.0
"""Longest wait for a serial port to open, s; one over a radio link takes a second or two (judgement)."""

VI_ERROR_TMO = -1073807339
"""Time-out, as the VISA library counts its errors (VPP-4.3, completion codes)."""

_SOCKET = re.compile(r"TCPIP\d*::.*::(SOCKET|RAW)", re.IGNORECASE)
_MESSAGES = re.compile(r"(TCPIP|USB|GPIB)\d*::.+", re.IGNORECASE)


def _manager() -> Any:
    import pyvisa  # here, because it takes longer to import than most commands take to run

    return pyvisa.ResourceManager("@py")


def _open_resource(address: str, open_timeout_s: float) -> Any:
    manager = _manager()
    # Milliseconds, and not zero: the back end takes 0 as "use the default of 10 s".
    return manager.open_resource(address, open_timeout=max(1, round(1000 * open_timeout_s)))


def _shut(stream: Stream) -> None:
    stream.close()


class VisaWire(Wire):
    """``monotonic()`` is machine time in s; ``open_timeout_s`` bounds the connection, ``timeout_s`` each reply.

    ``open_resource(address, open_timeout_s)`` and ``opened(port, line)`` open what the libraries open otherwise.
    """

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
        boot_s: float = 0.0,
        serial_line: SerialLine | None = None,
        open_resource: Callable[[str, float], Any] = _open_resource,
        opened: Callable[[str, SerialLine], Any] = open_port,
    ) -> None:
        self.framed = _MESSAGES.fullmatch(address) is not None and _SOCKET.fullmatch(address) is None
        super().__init__(
            name=name,
            address=address,
            tap=tap,
            timeout_s=timeout_s,
            terminator=terminator,
            gap_s=gap_s,
            echo=echo,
            pace_s=pace_s,
            boot_s=boot_s,
        )
        self.clearable = self.framed
        self._monotonic = monotonic
        self._open_timeout_s = open_timeout_s
        self.serial_line = serial_line or SerialLine()
        self._open_resource = open_resource
        self._opened = opened
        self._deadline = 0.0
        self._stream: Stream | None = None

    def _open(self) -> None:
        if self._open_resource is _open_resource and self.address[:4].upper() != "ASRL":
            _manager()  # before any time is taken: what it imports the first time is no slow instrument
        if self.framed:
            self._stream = self._message_stream()
        elif self.address[:4].upper() == "ASRL":
            self._stream = made_within(self._serial_stream, _shut, within_s=PORT_DEADLINE_S, name=self.name)
        else:
            # A name is looked up without any limit of time.
            within_s = 2 * self._open_timeout_s
            self._stream = made_within(self._socket_stream, _shut, within_s=within_s, name=self.name)

    def _serial_stream(self) -> Stream:
        name = port_name(self.address)
        return SerialStream(name, line=self.serial_line, timeout_s=self.timeout_s, opened=self._opened)

    def _message_stream(self) -> Stream:
        def opened() -> Resource:
            resource: Resource = self._open_resource(self.address, self._open_timeout_s)
            return resource

        return MessageStream(
            opened,
            name=self.name,
            open_within_s=2 * self._open_timeout_s,
            timeout_s=self.timeout_s,
            polls="::HISLIP" not in self.address.upper(),
        )

    def _socket_stream(self) -> Stream:
        resource = self._open_resource(self.address, self._open_timeout_s)
        try:
            lower = resource.visalib.sessions[resource.session].interface
            if not isinstance(lower, socket.socket):
                raise ConnectionError("spoken are TCPIP SOCKET, TCPIP INSTR, ASRL INSTR, USB INSTR and GPIB INSTR")
            return SocketStream(lower, resource.close)
        except BaseException:
            with contextlib.suppress(Exception):  # closing must not hide why
                resource.close()
            raise

    def _close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def _send(self, data: bytes) -> None:
        assert self._stream is not None
        self._deadline = self._monotonic() + self._within_s
        self._stream.send(data, within_s=self._within_s)

    def _receive(self, gap_s: float | None) -> bytes:
        assert self._stream is not None
        left_s = self._deadline - self._monotonic()
        if left_s <= 0:
            raise TimeoutError
        if gap_s is not None and gap_s < left_s:
            return b"" if self._stream.over else self._stream.receive(gap_s)
        came = self._stream.receive(left_s)
        if not came:
            raise TimeoutError
        return came

    def _waiting(self) -> bytes:
        assert self._stream is not None
        return self._stream.waiting()

    def _clear(self) -> bool:
        assert self._stream is not None
        if self._stream.clear():
            return True
        # Where there is no clear the whole deadline is for the one answer.
        self.clearable = self._stream.stuck
        return False

    def _pause(self, seconds: float) -> None:
        threading.Event().wait(seconds)

    def _timed_out(self, error: BaseException) -> bool:
        # Known by their marks: importing their classes in the middle of a failure would hold the failure up.
        kinds = {kind.__name__ for kind in type(error).__mro__}
        if "VisaIOError" in kinds:
            return bool(getattr(error, "error_code", None) == VI_ERROR_TMO)
        return isinstance(error, TimeoutError) or "SerialTimeoutException" in kinds
