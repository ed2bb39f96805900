"""Whether whoever answers on a line is the instrument that answered there first: asked whenever the line was opened
anew, or is in doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from drivers.meeting import Meeting
from drivers.order_reply import OrderReply
from drivers.wire import Lost, Wire, WireError

MOST_ELSEWHERE = 4
"""Most addresses at which one that is gone is looked for; each may take a whole deadline."""


class Recognition:
    """Of one instrument on one wire. ``known`` is its answer to the identity question, ``None`` before the first one;
    ``estranged`` counts how often it obeyed again only after it had been told to go remote once more. ``first`` is how
    it is met for the first time; the rest as in ``Session``.
    """

    def __init__(
        self,
        wire: Wire,
        *,
        ask: str,
        first: Callable[[], Meeting],
        remote: str | None,
        order_reply: OrderReply,
        elsewhere: Callable[[], Iterable[str]] | None,
    ) -> None:
        self._wire, self._ask, self._first = wire, ask, first
        self._remote, self._order_reply, self._elsewhere = remote, order_reply, elsewhere
        self._strayed = False
        self.known: bytes | None = None
        self.estranged = 0

    def make_sure(self) -> None:
        """Ask who is there, on a new line where none is open; for the first time whoever fits is met. Raises
        ``WireError`` or ``InstrumentFault``, and leaves the line closed then."""
        try:
            if self.known is None:
                self.open_for_questions()
                self.known = self._first().identity()
            else:
                self._meet_again(self.known)
        except BaseException:
            self._wire.close()
            raise

    def _meet_again(self, known: bytes) -> None:
        """On a line that stayed open no remote command is said again: it would hide that somebody took the instrument
        to local. Who then answers otherwise is asked again on a new line, by whoever comes next."""
        if self._remote is not None and self._wire.is_open:
            try:
                self._recognise(known)
            except WireError as error:
                self._strayed = bool(error.received)
                raise
            return
        try:
            self.open_for_questions()
        except Lost:
            if not self._found_elsewhere(known):
                raise
            return
        self._recognise(known)
        self.estranged += self._strayed
        self._strayed = False

    def _found_elsewhere(self, known: bytes) -> bool:
        """Whether the same instrument answers at another address; the line is then open there."""
        home = self._wire.address
        for address in [] if self._elsewhere is None else list(self._elsewhere())[:MOST_ELSEWHERE]:
            self._wire.address = address
            try:
                self.open_for_questions()
                self._recognise(known)
            except WireError:
                self._wire.close()
            else:
                return True
        self._wire.address = home
        return False

    def open_for_questions(self) -> None:
        """Open the line and say what comes before any question."""
        self._wire.open()
        if self._remote is None:
            return
        # Some say a line of their own at each opening: it is dropped.
        if not self._order_reply:
            self._wire.write(self._remote, drop=True)
            return
        try:
            self._wire.order(self._remote, self._order_reply.is_due)
        except WireError as error:
            if error.received:
                error.why = self._order_reply.not_due(error.received)
            raise

    def _recognise(self, known: bytes) -> None:
        try:
            self._wire.find(self._ask, known.__eq__)
        except WireError as error:
            got = error.received
            if got.count(b",") >= known.count(b",") and not known.startswith(got):
                why = f"answers as another instrument than {known!r}"
                name, address, sent = self._wire.name, self._wire.address, self._ask.encode()
                raise Lost(why, instrument=name, address=address, sent=sent, received=got) from error
            raise
