"""One client of a HiSLIP server: what comes on its two channels and what goes back.

Source: IVI-6.1 (clauses from memory), synchronized mode: a response carries the ID of the message that asked for it; a
new message before the client has said that it read the last response is the query error INTERRUPTED (IEEE 488.2
6.3.2.3), told on both channels; a device clear is agreed on over both.

Not modelled: overlap mode, service requests, triggers (error -211, "Trigger ignored"), query error UNTERMINATED, which
a client that only waits does not let the server see.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Protocol

from sims.framing import BUFFER_BYTES
from sims.hislip import HEADER, LARGEST_MESSAGE_BYTES, ErrorCode, Kind, Message
from sims.line_manners import INPUT_BUFFER_OVERRUN
from sims.line_manners import Session as Talk

RMT_DELIVERED = 1
"""Bit of the control code by which a client says that it has read the last response to its end."""

QUERY_INTERRUPTED, TRIGGER_IGNORED = -410, -211

MOST_HELD = 256
"""Messages that may wait for a lock of somebody else; a client that sends more is hung up on."""

GO_REMOTE, GO_LOCAL = (3, 5), (2, 6)
"""Control codes of AsyncRemoteLocalControl that move the instrument; 0, 1 and 4 only prepare."""

LAST_REMOTE_CONTROL = 6


class Instrument(Protocol):
    """What a HiSLIP server asks of the instrument behind it."""

    def connect(self) -> Talk: ...
    def status_byte(self, *, message_available: bool) -> int: ...
    def fault(self, number: int) -> None: ...
    def set_remote(self, remote: bool) -> None: ...


Send = Callable[[Message], None]


class Session:
    """``send`` and ``send_async`` put a message on the one or the other channel; ``may_talk`` says whether a lock of
    somebody else is in the way, in which case what comes waits."""

    def __init__(self, instrument: Instrument, *, send: Send, send_async: Send, may_talk: Callable[[], bool]) -> None:
        self._instrument, self._talk = instrument, instrument.connect()
        self._send, self._send_async, self._may_talk = send, send_async, may_talk
        self._held: list[Message] = []
        self._input = b""
        self._asked_by = 0
        self._unread = False
        self._clearing = False
        self._largest = LARGEST_MESSAGE_BYTES

    # -- the synchronous channel ---------------------------------------------------------------------------------------

    def sync(self, message: Message) -> None:
        """Take a message from the synchronous channel. Raises ConnectionError when the instrument hangs up."""
        if self._clearing:
            if message.kind == Kind.DEVICE_CLEAR_COMPLETE:
                self._clearing = False
                self._send(Message(Kind.DEVICE_CLEAR_ACKNOWLEDGE))
            return
        if len(self._held) >= MOST_HELD:
            raise ConnectionError("too much waits for the lock")
        self._held.append(message)
        self.go_on()

    def go_on(self) -> None:
        """Carry out what was held back by a lock, as far as it is free now."""
        while self._held and self._may_talk():
            self._carry_out(self._held.pop(0))

    def _carry_out(self, message: Message) -> None:
        match message.kind:
            case Kind.DATA | Kind.DATA_END if message.too_large:
                self._send(Message(Kind.ERROR, ErrorCode.TOO_LARGE, payload=b"message too large"))
            case Kind.DATA | Kind.DATA_END:
                self._interrupted(message)
                self._take_in(message)
            case Kind.TRIGGER:
                self._interrupted(message)
                self._instrument.fault(TRIGGER_IGNORED)
            case Kind.ERROR | Kind.FATAL_ERROR:
                pass
            case _:
                self._send(unknown(message))

    def _take_in(self, message: Message) -> None:
        if len(self._input) <= BUFFER_BYTES:
            self._input += message.payload
        if message.kind == Kind.DATA:
            return
        text, self._input = self._input, b""
        self._asked_by = message.parameter
        if len(text) > BUFFER_BYTES:
            self._instrument.fault(INPUT_BUFFER_OVERRUN)
        else:
            self._respond(self._talk.feed(text, end=True))

    def _interrupted(self, message: Message) -> None:
        """Whether the last response was still unread when this came; then it is lost and everybody is told."""
        if message.control & RMT_DELIVERED:
            self._unread = False
        if not self._unread and not self._owed():
            return
        self._unread = False
        self._talk.clear()
        self._instrument.fault(QUERY_INTERRUPTED)
        self._send(Message(Kind.INTERRUPTED, parameter=message.parameter))
        self._send_async(Message(Kind.ASYNC_INTERRUPTED, parameter=message.parameter))

    def _respond(self, response: bytes) -> None:
        if not response:
            return
        self._unread = True
        most = max(1, self._largest - HEADER.size)
        while len(response) > most:
            self._send(Message(Kind.DATA, parameter=self._asked_by, payload=response[:most]))
            response = response[most:]
        self._send(Message(Kind.DATA_END, parameter=self._asked_by, payload=response))

    # -- the asynchronous channel --------------------------------------------------------------------------------------

    def asynchronous(self, message: Message) -> None:
        """Take a message from the asynchronous channel, locks apart."""
        match message.kind:
            case Kind.ASYNC_MAXIMUM_MESSAGE_SIZE if len(message.payload) == 8:
                (self._largest,) = struct.unpack("!Q", message.payload)
                size = struct.pack("!Q", LARGEST_MESSAGE_BYTES)
                self._send_async(Message(Kind.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, payload=size))
            case Kind.ASYNC_DEVICE_CLEAR:
                self._clearing, self._unread, self._input = True, False, b""
                self._held.clear()
                self._talk.clear()
                self._send_async(Message(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE))
            case Kind.ASYNC_STATUS_QUERY:
                if message.control & RMT_DELIVERED:
                    self._unread = False
                byte = self._instrument.status_byte(message_available=self._unread)
                self._send_async(Message(Kind.ASYNC_STATUS_RESPONSE, byte))
            case Kind.ASYNC_REMOTE_LOCAL_CONTROL if message.control <= LAST_REMOTE_CONTROL:
                if message.control in GO_REMOTE + GO_LOCAL:
                    self._instrument.set_remote(message.control in GO_REMOTE)
                self._send_async(Message(Kind.ASYNC_REMOTE_LOCAL_RESPONSE))
            case Kind.ASYNC_REMOTE_LOCAL_CONTROL:
                self._send_async(Message(Kind.ERROR, ErrorCode.UNKNOWN_CONTROL, payload=b"unknown control code"))
            case Kind.ERROR | Kind.FATAL_ERROR:
                pass
            case _:
                self._send_async(unknown(message))

    # -- replies that come later ---------------------------------------------------------------------------------------

    @property
    def due_s(self) -> float | None:
        """When the next reply of a slow instrument comes, s on the line's clock."""
        due: float | None = getattr(self._talk, "due_s", None)
        return due

    @property
    def is_open(self) -> bool:
        """False once the instrument has hung up."""
        return bool(getattr(self._talk, "is_open", True))

    def look(self) -> None:
        """Send what has come due."""
        if self._owed():
            self._respond(self._talk.feed(b""))

    def hang_up(self) -> None:
        """The client is gone."""
        self._talk.hang_up()

    def _owed(self) -> bool:
        return self.due_s is not None


def unknown(message: Message) -> Message:
    """The answer to a message nobody understands."""
    vendor = message.kind >= 128
    code = ErrorCode.UNKNOWN_VENDOR_TYPE if vendor else ErrorCode.UNKNOWN_TYPE
    return Message(Kind.ERROR, code, payload=b"message type %d is not spoken here" % message.kind)
