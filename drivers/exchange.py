"""One exchange with an instrument, as whoever listens in on the line sees it."""

from __future__ import annotations

from dataclasses import dataclass

NOT_SENT = "Lost (not sent)"

CLEARED = "cleared: no answer at first, this one came after a clear"


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message to an instrument and what came of it; whoever records adds the time.

    An ``error`` begins with its kind: ``Timeout``, ``Lost``, or ``NOT_SENT`` where no byte of the message left; with
    ``CLEARED`` the answer came after a clear. Without ``sent`` it is the line that could not be opened.
    """

    name: str
    sent: bytes
    received: bytes | None
    error: str | None
