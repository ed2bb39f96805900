"""Message exchange control on a link with separate writes and reads.

Source: IEEE 488.2-1992 chapter 6 (from memory). Here a client can break the protocol: a new message while a response
waits throws the response away (-410 interrupted); a read with nothing asked finds nothing (-420 unterminated); and a
response too long for the output queue, to which the client goes on writing instead of reading, is thrown away too
(-430 deadlocked).

Not modelled: reads that take part of a response; a deadlock while the units of one message are still being carried out
(a response arises whole); service requests, so that bit 6 of the byte polled is the master summary as in ``*STB?``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sims.framing import Framer, Overrun

if TYPE_CHECKING:
    from sims.talk import Engine

OUTPUT_BYTES = 16384
"""What the output queue holds; the instrument cannot go on while a longer response is not read."""


class Exchange:
    """A client's session on a link with separate writes and reads."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._framer = Framer()
        self._response = b""

    def write(self, data: bytes, *, end: bool = False) -> None:
        """Take bytes of program messages; ``end``: END came with the last one."""
        for message in self._framer.feed(data, end=end):
            if isinstance(message, Overrun):
                self._forget_response()
                self._engine.status.fault(-363)
            elif message.strip():
                self._forget_response()
                self._response = self._engine.handle(message)
        if self._framer.begun:
            self._forget_response()

    def _forget_response(self) -> None:
        if self._response:
            self._engine.status.fault(-410 if len(self._response) <= OUTPUT_BYTES else -430)
            self._response = b""

    def read(self) -> bytes:
        """The response message; b"" and error -420 when none is due."""
        response, self._response = self._response, b""
        if not response:
            self._engine.status.fault(-420)
        return response

    def poll(self) -> int:
        """The status byte of a serial poll; asks nothing of the parser."""
        return self._engine.status_byte(message_available=bool(self._response))

    def clear(self) -> None:
        """Device clear: unfinished input and the response are forgotten, settings, status and errors stay."""
        self._framer, self._response = Framer(), b""
