"""HiSLIP messages: header and payload, to bytes and back.

Source: IVI-6.1, High-Speed LAN Instrument Protocol, revision 1.0 of the protocol (table numbers from memory): a header
of 16 bytes, "HS", message type, control code, message parameter (32 bits), payload length (64 bits), big-endian.

Not modelled: the messages revision 2.0 added for secure connections.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

HEADER = struct.Struct("!2sBBIQ")
PROLOGUE = b"HS"

LARGEST_MESSAGE_BYTES = 1 << 20
"""Largest message taken, header included; AsyncMaximumMessageSize tells the client."""

FIRST_ID = 0xFFFF_FF00
"""Message ID of a client's first message, also after a device clear; each further one is 2 more."""


class Kind(IntEnum):
    """Message types of revision 1.0."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class FatalCode(IntEnum):
    """Control codes of FatalError; the connection ends."""

    UNIDENTIFIED = 0
    BAD_HEADER = 1
    NO_SECOND_CHANNEL = 2
    BAD_INITIALIZATION = 3
    TOO_MANY_CLIENTS = 4


class ErrorCode(IntEnum):
    """Control codes of Error; the message is dropped and the connection goes on."""

    UNIDENTIFIED = 0
    UNKNOWN_TYPE = 1
    UNKNOWN_CONTROL = 2
    UNKNOWN_VENDOR_TYPE = 3
    TOO_LARGE = 4


@dataclass(frozen=True, slots=True)
class Message:
    """One message; ``kind`` is a plain number, as a stranger may send any."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""
    payload_bytes: int = -1
    """Length in the header; more than ``payload`` holds when it was too large to be kept."""

    @property
    def too_large(self) -> bool:
        """True when the payload was thrown away."""
        return self.payload_bytes > len(self.payload)

    def encoded(self) -> bytes:
        """The bytes on the wire."""
        return HEADER.pack(PROLOGUE, self.kind, self.control, self.parameter, len(self.payload)) + self.payload


class BadHeader(Exception):
    """The bytes are no HiSLIP; nothing after them can be understood."""


class Reader:
    """Bytes of one channel to messages. Holds one message of the largest size at most."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._skip = 0

    def feed(self, data: bytes) -> Iterator[Message]:
        """The messages completed by these bytes. Raises BadHeader."""
        held = self._held
        held += data
        while True:
            if self._skip:
                dropped = min(self._skip, len(held))
                del held[:dropped]
                self._skip -= dropped
            if len(held) < HEADER.size:
                return
            prologue, kind, control, parameter, length = HEADER.unpack_from(held)
            if prologue != PROLOGUE:
                raise BadHeader(f"{bytes(held[:2])!r} where 'HS' is due")
            if HEADER.size + length > LARGEST_MESSAGE_BYTES:
                del held[: HEADER.size]
                self._skip = length
                yield Message(kind, control, parameter, b"", length)
                continue
            if len(held) < HEADER.size + length:
                return
            payload = bytes(held[HEADER.size : HEADER.size + length])
            del held[: HEADER.size + length]
            yield Message(kind, control, parameter, payload, length)
