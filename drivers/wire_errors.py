"""What can go wrong on the way to an instrument and back: an error tree of two branches.

::

    WireError
     +-- Timeout (TimeoutError)     the whole reply was not there by the deadline
     +-- Lost (ConnectionError)     the line is closed, refused, broken, or can no longer be trusted
"""

from __future__ import annotations


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


NO_ANSWER = "no answer after clear"


class NoAnswerAfterClear(Exception):
    """Inside a wire only: cleared, asked once more, and still no answer. ``partial`` is what had come."""

    def __init__(self, partial: bytes = b"") -> None:
        super().__init__(NO_ANSWER)
        self.partial = partial


def partial_of(error: BaseException) -> bytes:
    """The bytes that had come, where whoever raised ``error`` noted them."""
    partial: bytes = getattr(error, "partial", b"")
    return partial


def words(error: Exception) -> str:
    """What an error of a library says about itself, on one line."""
    try:
        text = " ".join(str(error).split())
    except Exception:  # an error of a library may fail at describing itself; the line is lost all the same
        text = ""
    if type(error) is ConnectionError:
        return text
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
