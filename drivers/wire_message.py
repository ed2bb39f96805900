"""Message-based resources of VISA: TCPIP INSTR (HiSLIP and VXI-11), USB INSTR (USBTMC) and GPIB INSTR.

These lines mark the end of a message themselves and can clear an instrument that owes an answer. The library is called
through its public interface on a thread of its own: none of its time-outs holds for a whole reply (HiSLIP starts it
anew with each piece, VXI-11 adds a second, USB may spend five on an abort), and its errors are of every kind.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Callable
from typing import Any, Protocol

from drivers.timely import Timely
from drivers.usbtmc import clear_usbtmc
from drivers.wire_stream import Stream, keep_alive

GRACE_S = 0.1
"""What the library may take beyond the time-out it was given before it is left alone, s."""

CLEAR_WITHIN_S = 0.2
"""Longest a clear may take, s; HiSLIP sleeps 0.1 s of it (measured in the library)."""

CLOSE_WITHIN_S = 0.5
"""Longest wait for a resource to close, s."""


class Resource(Protocol):
    """The part of a resource of pyvisa that is used here."""

    timeout: Any

    def write_raw(self, message: bytes, /) -> int: ...
    def read_stb(self) -> int: ...
    def read_raw(self) -> bytes: ...
    def clear(self) -> None: ...
    def close(self) -> None: ...


MESSAGE_AVAILABLE = 16
"""Bit of the status byte: a reply lies ready to be read (IEEE 488.2, 11.2.1)."""


class MessageStream(Stream):
    """``open_resource()`` opens it; ``timeout_s`` is the deadline of a reply.

    ``polls``: before each message the status byte is asked whether a reply lies there that nobody asked for. HiSLIP
    needs no such thing, as its replies carry the number of their question.
    """

    def __init__(
        self,
        open_resource: Callable[[], Resource],
        *,
        name: str,
        open_within_s: float,
        timeout_s: float,
        polls: bool = False,
    ) -> None:
        self._timeout_s = timeout_s
        self._polls = polls
        self._resource: Resource | None = None
        self.over = True
        self._timely = Timely(self._let_go, name=name)
        try:
            self._timely.call(lambda: self._open(open_resource), within_s=open_within_s)
        except BaseException:
            self.close()
            raise

    def send(self, data: bytes, *, within_s: float) -> None:
        resource = self._used()
        self.over = False

        def write() -> int:
            resource.timeout = _ms(within_s)
            return resource.write_raw(data)

        took = self._timely.call(write, within_s=within_s + GRACE_S)
        if took != len(data):
            raise ConnectionError(f"{took} of {len(data)} bytes were taken")

    def receive(self, within_s: float) -> bytes:
        resource = self._used()

        def read() -> bytes:
            resource.timeout = _ms(within_s)
            return bytes(resource.read_raw())

        try:
            came = self._timely.call(read, within_s=within_s + GRACE_S)
        except Exception as error:
            if _is_timeout(error):
                return b""
            raise
        self.over = True
        # The end of the message is the end of the reply, whether the instrument said a line end before it or not.
        return came or b"\n"

    def waiting(self) -> bytes:
        """Nothing comes unasked on these lines; but a reply may lie there, or the connection may have been closed."""
        for one in _sockets(self._used()):
            if select.select((one,), (), (), 0)[0] and not one.recv(1, socket.MSG_PEEK):
                raise ConnectionError("the other end closed the connection")
        if not self._polls or not self._timely.call(self._has_reply, within_s=self._timeout_s + GRACE_S):
            return b""
        return self.receive(self._timeout_s)

    def _has_reply(self) -> bool:
        resource = self._used()
        resource.timeout = _ms(self._timeout_s)
        try:
            return bool(resource.read_stb() & MESSAGE_AVAILABLE)
        except Exception as error:
            if not _is_missing(error):
                raise
            self._polls = False
            return False

    @property
    def stuck(self) -> bool:  # type: ignore[override]
        return self._timely.left_behind

    def clear(self) -> bool:
        if self.stuck:
            return False
        resource = self._used()

        def act() -> bool:
            resource.timeout = _ms(CLEAR_WITHIN_S)
            try:
                resource.clear()
            except Exception as error:
                if not _is_missing(error):
                    raise
                return clear_usbtmc(_interface(resource), within_s=CLEAR_WITHIN_S)
            return True

        return self._timely.call(act, within_s=CLEAR_WITHIN_S)

    def close(self) -> None:
        self._timely.close(within_s=0.0 if self.stuck else CLOSE_WITHIN_S)

    def _open(self, open_resource: Callable[[], Resource]) -> None:
        self._resource = open_resource()
        for one in _sockets(self._resource):
            keep_alive(one)

    def _let_go(self) -> None:
        if self._resource is not None:
            self._resource.close()

    def _used(self) -> Resource:
        assert self._resource is not None
        return self._resource


def _ms(seconds: float) -> int:
    # Never 0, which several back ends take for their default or for no limit at all.
    return max(1, round(1000 * seconds))


def _is_timeout(error: Exception) -> bool:
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    return isinstance(error, VisaIOError) and getattr(error, "error_code", None) == StatusCode.error_timeout


def _is_missing(error: Exception) -> bool:
    """Whether the back end cannot do this at all on this kind of resource."""
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    if isinstance(error, VisaIOError):
        return getattr(error, "error_code", None) == StatusCode.error_nonsupported_operation
    return isinstance(error, NotImplementedError)


def _interface(resource: Resource) -> Any:
    """What the back end itself talks to; ``None`` where it does not show it."""
    try:
        return resource.visalib.sessions[resource.session].interface  # type: ignore[attr-defined]
    except (AttributeError, KeyError, TypeError):
        return None


def _sockets(resource: Resource) -> list[socket.socket]:
    interface = _interface(resource)
    found = (getattr(interface, name, None) for name in ("_sync", "_async", "sock"))
    return [one for one in found if isinstance(one, socket.socket) and one.fileno() >= 0]
