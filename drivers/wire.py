"""The transport: one line each way. Its errors are in ``drivers/wire_errors.py``, what a kind of wire fills in is in
``drivers/wire_hooks.py``.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

from drivers.exchange import CLEARED, NOT_SENT, Exchange
from drivers.replies import LONGEST_REPLY_BYTES, Replies
from drivers.wire_errors import NO_ANSWER, Lost, NoAnswerAfterClear, Timeout, WireError, partial_of, words
from drivers.wire_hooks import Hooks

__all__ = [
    "CALL_DEADLINE_S",
    "CLEARED",
    "LONGEST_REPLY_BYTES",
    "NOT_SENT",
    "Exchange",
    "Lost",
    "Timeout",
    "Wire",
    "WireError",
]

CALL_DEADLINE_S = 0.8
"""Longest a reply may take, s of machine time; the loop of a bench must notice a silent instrument within a second."""

FIRST_SHARE, SECOND_SHARE = 0.6, 0.2
"""Where a line can clear, the deadline is for all of it: the answer, the clear, and the answer to the same question
again. These are the shares of the two answers; whoever was cleared has nothing else to do."""

SHARE_LEAST_S = 0.1
"""No share is shorter than this, s."""


Reply = TypeVar("Reply", bound=bytes | None)


class Wire(Hooks):
    """A line to one instrument. ``timeout_s`` is the deadline of a whole reply, s of machine time.

    ``gap_s`` is for instruments that end a reply by falling silent: a reply then also ends when nothing has come for
    ``gap_s``. ``echo`` is for instruments that send back each message before the reply. ``pace_s`` is the pause before
    each message for instruments that lose what comes too soon. ``boot_s`` is how long instruments that restart at each
    opening are deaf after it: so long is waited before the line counts as open, and what came meanwhile is dropped.
    ``tap`` sees every exchange; it must not raise. ``openings`` and ``clears`` count.
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
        boot_s: float = 0.0,
    ) -> None:
        self.name = name
        self.address = address
        self.tap = tap
        self.timeout_s = timeout_s
        self.terminator = terminator
        self.gap_s = gap_s
        self.echo = echo
        self.pace_s = pace_s
        self.boot_s = boot_s
        self.is_open = False
        self.openings = 0
        self.clears = 0
        self._replies = Replies(lambda gap: self._receive(gap), terminator=terminator, gap_s=gap_s, framed=self.framed)
        self._unsent = False
        self._within_s = timeout_s
        self._lock = threading.RLock()

    # -- what people call ------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the line and wait ``boot_s``; nothing happens when it is open. Raises ``Timeout`` or ``Lost``."""
        with self._lock:
            if self.is_open:
                return
            self._replies.clear()
            self._unsent = False
            try:
                self._open()
                if self.boot_s:
                    self._pause(self.boot_s)
                    self._waiting()
            except BaseException as error:
                self._drop()
                mapped = self._mapped(error, b"")
                self._note(b"", None, mapped)
                raise mapped from error
            self.is_open = True
            self.openings += 1

    def close(self) -> None:
        """Close the line. Never raises; closing twice is fine."""
        with self._lock:
            if self.is_open:
                self._drop()

    def write(self, message: str, *, drop: bool = False) -> None:
        """Send a message that has no reply. Raises ``Timeout`` or ``Lost``; the wire is then closed. ``drop``: what
        stands on the line unasked is thrown away, and not a reason to be silent.
        """
        self._exchange(message, self._say, drop=drop)

    def query(self, message: str) -> bytes:
        """Send a message and return its reply, without terminator and NULs. Raises ``Timeout`` or ``Lost``."""
        return self._exchange(message, self._asked)

    def order(self, message: str, wanted: Callable[[bytes], bool] | None = None) -> bytes:
        """Send an order that has an answer and return it. Raises ``Timeout`` or ``Lost``. Unlike a question an order is
        never said again after a clear. With ``wanted`` lines before the one that is wanted are dropped.
        """
        return self._exchange(message, lambda bare: self._answer(bare, wanted), drop=wanted is not None)

    def dismiss(self, message: str, *, within_s: float, answered: bool = True) -> bytes | None:
        """Send an order and wait up to ``within_s`` for its echo, where the line has one, and its answer, where one is
        due (else b""); both are taken off the line. ``None`` when one of them did not come, or more than one line. What
        stood on the line unasked is thrown away. Raises ``Timeout`` or ``Lost`` when the line breaks, and never because
        no answer came.
        """
        say = self._dismissed if answered else self._sent_off
        return self._exchange(message, say, drop=True, within_s=within_s)

    def find(self, message: str, wanted: Callable[[bytes], bool]) -> bytes:
        """Send a message and read, all under one deadline, until a line is ``wanted``; drop the lines before it.

        This is how a byte stream that outlives the closed port (a serial line) is brought back in step: replies come
        in the order of the questions, so whatever was still owed is behind us once the answer is there. Raises
        ``Timeout`` with the last other line in ``received`` when it does not come.
        """
        return self._exchange(message, lambda bare: self._asked(bare, wanted), drop=True)

    # -- the work between ------------------------------------------------------------------------------------------

    def _exchange(
        self, message: str, say: Callable[[bytes], Reply], *, drop: bool = False, within_s: float | None = None
    ) -> Reply:
        if "\n" in message:
            raise ValueError(f"{self.name}: a message is one line: {message!r}")
        bare = message.encode("ascii")
        sent = bare + self.terminator
        with self._lock:
            if not self.is_open:
                self._unsent = True
                raise self._mapped(ConnectionError("the line is closed; open it first"), sent)
            self._unsent = False
            clears = self.clears
            try:
                if self.pace_s:
                    self._pause(self.pace_s)
                self._refuse_unasked(drop=drop)
                self._within_s = self.timeout_s if within_s is None else within_s
                received = say(bare)
            except BaseException as error:
                # A reply that was cut off here, by a signal as well as by a deadline, would be the next answer.
                partial = partial_of(error) or bytes(self._replies.buffer)
                self._drop()
                mapped = self._mapped(error, sent, partial)
                self._note(sent, partial or None, mapped)
                if mapped is error:
                    raise
                raise mapped from error
            if self.tap is not None:
                cleared = CLEARED if self.clears != clears else None
                self.tap(Exchange(self.name, sent, received, cleared))
            return received

    def _note(self, sent: bytes, received: bytes | None, error: BaseException) -> None:
        if self.tap is not None:
            kind = NOT_SENT if isinstance(error, WireError) and error.unsent else type(error).__name__
            self.tap(Exchange(self.name, sent, received, f"{kind}: {error}"))

    def _say(self, message: bytes, *, drop: bool = False) -> None:
        self._send(message + self.terminator)
        if self.echo:
            self._replies.eat_echo(message, drop=drop)

    def _sent_off(self, message: bytes) -> bytes | None:
        return self._dismissed(message, answered=False)

    def _dismissed(self, message: bytes, *, answered: bool = True) -> bytes | None:
        self._send(message + self.terminator)
        try:
            if self.echo:
                self._replies.skip_to(message)
            return self._replies.only() if answered else b""
        except Exception as error:
            if not self._timed_out(error):
                raise
            return None
        finally:
            self._replies.clear()

    def _asked(self, message: bytes, wanted: Callable[[bytes], bool] | None = None) -> bytes:
        if self.clearable:
            self._within_s = max(FIRST_SHARE * self.timeout_s, SHARE_LEAST_S)
        try:
            return self._answer(message, wanted)
        except Exception as error:
            # Who answered something is not stuck.
            if not self._timed_out(error) or partial_of(error) or not self._cleared():
                raise
        self._within_s = max(SECOND_SHARE * self.timeout_s, SHARE_LEAST_S)
        try:
            return self._answer(message, wanted)
        except Exception as error:
            if not self._timed_out(error):
                raise
            raise NoAnswerAfterClear(partial_of(error)) from error

    def _answer(self, message: bytes, wanted: Callable[[bytes], bool] | None) -> bytes:
        self._say(message, drop=wanted is not None)
        return self._replies.one(message) if wanted is None else self._replies.until(wanted)

    def _cleared(self) -> bool:
        partial = bytes(self._replies.buffer)
        try:
            if not self._clear():
                return False
        except Exception as error:
            raise NoAnswerAfterClear(partial) from error
        self._replies.clear()
        self.clears += 1
        return True

    def _refuse_unasked(self, *, drop: bool) -> None:
        try:
            came = self._waiting()
        except Exception as error:
            # Found closed is worth another line at once; found silent is not.
            self._unsent = not self._timed_out(error)
            raise
        replies = self._replies
        replies.buffer += came
        if drop:
            replies.clear()
        if replies.buffer:
            replies.refuse_rest("stands on the line unasked: an earlier reply came late, or somebody else talks here")

    def _drop(self) -> None:
        self.is_open = False
        self._replies.clear()
        # Closing must never hide the fault that led here.
        with contextlib.suppress(Exception):
            self._close()

    def _mapped(self, error: BaseException, sent: bytes, received: bytes = b"") -> BaseException:
        """The one place where what a library raises becomes ours. A stop (not an ``Exception``) passes unchanged."""
        if isinstance(error, WireError) or not isinstance(error, Exception):
            return error
        kind: type[Timeout] | type[Lost] = Lost
        why = words(error)
        if isinstance(error, NoAnswerAfterClear):
            kind = Timeout
            why = f"{NO_ANSWER}; switch the instrument off and on, check its cable"
        elif self._timed_out(error):
            kind = Timeout
            why = f"no whole reply within {self._within_s:g} s; check power, cable and address"
            if not sent:
                why = "the line did not open in time; check power, cable and address"
        return kind(why, instrument=self.name, address=self.address, sent=sent, received=received, unsent=self._unsent)
