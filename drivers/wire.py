"""The transport: one line each way, and an error tree of two branches.

::

    WireError
     +-- Timeout (TimeoutError)     the whole reply was not there by the deadline
     +-- Lost (ConnectionError)     the line is closed, refused, broken, or can no longer be trusted

Contract of a wire, for whoever adds one (the same tests run over every kind, see tests/contract):

1.  ``_open``, ``_close``, ``_send``, ``_receive``, ``_waiting`` and ``_pause`` are all there is to write.
2.  ``_receive`` returns the bytes that come next, at least one, or raises ``TimeoutError`` when the deadline set by
    the last ``_send`` has passed. The deadline is per reply: a byte that arrives never moves it.
3.  ``_waiting`` returns at once what lies there unread, ``b""`` when nothing does, and raises ``ConnectionError`` when
    the other end has hung up.
4.  Hooks raise whatever their library raises; ``_timed_out`` says which of those mean "no answer in time". All others
    are ``Lost``. Nothing is mapped anywhere else.
5.  After any failure the wire is closed. What a late reply then finds is a closed door, so it cannot become the answer
    to the next question.
6.  One wire may be used by several threads; a question and its answer are never torn apart.
"""

from __future__ import annotations

import contextlib
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

CALL_DEADLINE_S = 0.8
"""Longest a reply may take, s of machine time; the loop of a bench must notice a silent instrument within a second."""

LONGEST_REPLY_BYTES = 65_536
"""A reply longer than this is babble, not an answer."""


class WireError(Exception):
    """A message that failed. ``instrument`` is its name, ``sent`` the message, ``received`` the bytes that had come.

    ``unsent``: the far end was found to have hung up before a byte of the message left, so that saying it once on a
    new line cannot say it twice.
    """

    def __init__(
        self,
        why: str,
        *,
        instrument: str,
        address: str,
        sent: bytes = b"",
        received: bytes = b"",
        unsent: bool = False,
    ):
        super().__init__(why)
        self.why = why
        self.instrument = instrument
        self.address = address
        self.sent = sent
        self.received = received
        self.unsent = unsent

    def __str__(self) -> str:
        said = f"sent {self.sent!r}: " if self.sent else ""
        got = f"received {self.received!r}: " if self.received else ""
        return f"{self.instrument} at {self.address}: {said}{got}{self.why}"


class Timeout(WireError, TimeoutError):
    """No whole reply by the deadline."""


class Lost(WireError, ConnectionError):
    """The line is gone, or what stands on it cannot be trusted."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message to an instrument and what came of it; whoever records adds the time."""

    name: str
    sent: bytes
    received: bytes | None
    error: str | None


class Wire(ABC):
    """A line to one instrument. ``timeout_s`` is the deadline of a whole reply, s of machine time.

    ``gap_s`` is for instruments that end a reply by falling silent: a reply then also ends when nothing has come for
    ``gap_s``. ``echo`` is for instruments that send back each message before the reply. ``pace_s`` is the pause before
    each message for instruments that lose what comes too soon. ``tap`` sees every exchange; it must not raise.
    """

    def __init__(
        self,
        *,
        name: str,
        address: str,
        tap: Callable[[Exchange], None] | None = None,
        timeout_s: float = CALL_DEADLINE_S,
        terminator: bytes = b"\n",
        gap_s: float | None = None,
        echo: bool = False,
        pace_s: float = 0.0,
    ) -> None:
        self.name = name
        self.address = address
        self.tap = tap
        self.timeout_s = timeout_s
        self.terminator = terminator
        self.gap_s = gap_s
        self.echo = echo
        self.pace_s = pace_s
        self.is_open = False
        self.openings = 0
        self.clears = 0
        self._buffer = bytearray()
        self._unsent = False
        self._lock = threading.RLock()

    # -- what people call ------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the line; nothing happens when it is open. Raises ``Timeout`` or ``Lost``."""
        with self._lock:
            if self.is_open:
                return
            self._buffer.clear()
            self._unsent = False
            try:
                self._open()
            except BaseException as error:
                self._drop()
                raise self._mapped(error, b"") from error
            self.is_open = True
            self.openings += 1

    def close(self) -> None:
        """Close the line. Never raises; closing twice is fine."""
        with self._lock:
            if self.is_open:
                self._drop()

    def write(self, message: str) -> None:
        """Send a message that has no reply. Raises ``Timeout`` or ``Lost``; the wire is then closed."""
        self._exchange(message, reply=False)

    def query(self, message: str) -> bytes:
        """Send a message and return its reply, without terminator and NULs. Raises ``Timeout`` or ``Lost``."""
        reply = self._exchange(message, reply=True)
        assert reply is not None
        return reply

    def find(self, message: str, wanted: Callable[[bytes], bool]) -> bytes:
        """Send a message and read, all under one deadline, until a line is ``wanted``; drop the lines before it.

        This is how a byte stream that outlives the closed port (a serial line) is brought back in step: replies come
        in the order of the questions, so whatever was still owed is behind us once the answer is there. Raises
        ``Timeout`` with the last other line in ``received`` when it does not come.
        """
        reply = self._exchange(message, reply=True, wanted=wanted)
        assert reply is not None
        return reply

    # -- what a kind of wire fills in --------------------------------------------------------------------------------

    @abstractmethod
    def _open(self) -> None: ...

    @abstractmethod
    def _close(self) -> None: ...

    @abstractmethod
    def _send(self, data: bytes) -> None: ...

    @abstractmethod
    def _receive(self, gap_s: float | None) -> bytes:
        """The next bytes; ``b""`` only when ``gap_s`` is given and passed without any."""

    @abstractmethod
    def _waiting(self) -> bytes: ...

    @abstractmethod
    def _pause(self, seconds: float) -> None: ...

    def _timed_out(self, error: BaseException) -> bool:
        return isinstance(error, TimeoutError)

    # -- the work between ------------------------------------------------------------------------------------------

    def _exchange(self, message: str, *, reply: bool, wanted: Callable[[bytes], bool] | None = None) -> bytes | None:
        if "\n" in message:
            raise ValueError(f"{self.name}: a message is one line: {message!r}")
        bare = message.encode("ascii")
        sent = bare + self.terminator
        with self._lock:
            received: bytes | None = None
            self._unsent = False
            try:
                if not self.is_open:
                    raise ConnectionError("the line is closed; open it first")
                if self.pace_s:
                    self._pause(self.pace_s)
                self._refuse_unasked(drop=wanted is not None)
                self._send(sent)
                if self.echo:
                    self._eat_echo(bare)
                if reply:
                    received = self._reply(bare) if wanted is None else self._wanted(wanted)
            except BaseException as error:
                # A reply that was cut off here, by a signal as well as by a deadline, would be the next answer.
                partial = getattr(error, "partial", b"") or bytes(self._buffer)
                self._drop()
                mapped = self._mapped(error, sent, partial)
                if self.tap is not None:
                    self.tap(Exchange(self.name, sent, partial or None, f"{type(mapped).__name__}: {mapped}"))
                if mapped is error:
                    raise
                raise mapped from error
            if self.tap is not None:
                self.tap(Exchange(self.name, sent, received, None))
            return received

    def _refuse_unasked(self, *, drop: bool) -> None:
        try:
            self._buffer += self._waiting()
        except Exception:
            self._unsent = True
            raise
        if drop:
            self._buffer.clear()
        if self._buffer:
            self._refuse_rest("stands on the line unasked: an earlier reply came late, or somebody else talks here")

    def _refuse_rest(self, why: str) -> None:
        # NULs and line ends carry nothing; some firmware pads its replies with them.
        if self._buffer.strip(b"\0\r\n \t"):
            raise ConnectionError(f"{bytes(self._buffer)!r} {why}")
        self._buffer.clear()

    def _reply(self, message: bytes) -> bytes:
        line = self._line()
        if line == message:
            raise ConnectionError("the instrument echoes what it is sent; set echo = true in its dialect")
        if self._buffer:
            self._refuse_rest(f"came after {line!r}: one question, more than one reply")
        return line

    def _wanted(self, wanted: Callable[[bytes], bool]) -> bytes:
        other = b""
        try:
            while not wanted(line := self._line()):
                other = line or other
        except TimeoutError as error:
            error.partial = other or bytes(self._buffer)  # type: ignore[attr-defined]
            raise
        self._refuse_rest(f"came after {line!r}, which was the last reply due")
        return line

    def _eat_echo(self, message: bytes) -> None:
        line = self._line()
        if line != message:
            raise ConnectionError(f"received {line!r} where the echo of the message was due; set echo = false?")

    def _line(self) -> bytes:
        buffer, terminator = self._buffer, self.terminator
        while True:
            at = buffer.find(terminator) if terminator else -1
            if at >= 0:
                line = bytes(buffer[:at])
                del buffer[: at + len(terminator)]
                break
            if len(buffer) > LONGEST_REPLY_BYTES:
                raise ConnectionError(f"more than {LONGEST_REPLY_BYTES} bytes without an end")
            more = self._receive(self.gap_s if buffer else None)
            if not more:
                line = bytes(buffer)
                buffer.clear()
                break
            buffer += more
        return line.replace(b"\0", b"").strip(b"\r\n")

    def _drop(self) -> None:
        self.is_open = False
        self._buffer.clear()
        # Closing must never hide the fault that led here.
        with contextlib.suppress(Exception):
            self._close()

    def _mapped(self, error: BaseException, sent: bytes, received: bytes = b"") -> BaseException:
        """The one place where what a library raises becomes ours. A stop (not an ``Exception``) passes unchanged."""
        if isinstance(error, WireError) or not isinstance(error, Exception):
            return error
        kind: type[Timeout] | type[Lost] = Lost
        why = _words(error)
        if self._timed_out(error):
            kind = Timeout
            why = f"no whole reply within {self.timeout_s:g} s; check power, cable and address"
        return kind(why, instrument=self.name, address=self.address, sent=sent, received=received, unsent=self._unsent)


def _words(error: Exception) -> str:
    try:
        text = " ".join(str(error).split())
    except Exception:  # an error of a library may fail at describing itself; the line is lost all the same
        text = ""
    if type(error) is ConnectionError:
        return text
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
