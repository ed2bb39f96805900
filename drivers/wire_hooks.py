"""What a kind of wire fills in.

Contract of a wire, for whoever adds one (the same tests run over every kind, see tests/contract):

1.  ``_open``, ``_close``, ``_send``, ``_receive``, ``_waiting`` and ``_pause`` are all there is to write; ``_clear``
    where the line can clear an instrument.
2.  ``_receive`` returns the bytes that come next, at least one, or raises ``TimeoutError`` when the deadline set by
    the last ``_send`` has passed. The deadline is per reply: a byte that arrives never moves it. A line that marks the
    end of a message itself (``framed``) returns one whole message.
3.  ``_waiting`` returns at once what lies there unread, ``b""`` when nothing does, and raises ``ConnectionError`` when
    the other end has hung up.
4.  Hooks raise whatever their library raises; ``_timed_out`` says which of those mean "no answer in time". All others
    are ``Lost``. Nothing is mapped anywhere else.
5.  After any failure the wire is closed. What a late reply then finds is a closed door, so it cannot become the answer
    to the next question. The one exception: a line with ``_clear`` clears the instrument after a question without an
    answer and asks that question once more; only when that fails too has the message failed.
6.  One wire may be used by several threads; a question and its answer are never torn apart.
"""

from __future__ import annotations

from abc import ABC, abstractmethod


class Hooks(ABC):
    """Nothing else differs between kinds of wire."""

    framed = False
    """Whether the line itself marks where a message ends."""

    clearable = False
    """Whether the line may be able to clear the instrument."""

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

    def _clear(self) -> bool:
        """Make the instrument drop what it was asked and what it would answer; False when this line cannot do that."""
        return False

    def _timed_out(self, error: BaseException) -> bool:
        return isinstance(error, TimeoutError)
