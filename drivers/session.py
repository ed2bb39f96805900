"""A conversation with one instrument that knows whom it talks to."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable, Iterator

from drivers.faults import InstrumentComplains, Unreadable
from drivers.meeting import Meeting
from drivers.order_reply import OrderReply
from drivers.recognition import Recognition
from drivers.scpi import Identity, InstrumentError, identity, instrument_error
from drivers.wire import Lost, Wire, WireError

QUEUE_BOUND = 32
"""Most entries read from an error queue; one that still has more never empties."""


FIRST_SHARE, LAST_SHARE = 0.25, 0.5
"""While switching off: shares of the deadline in which the answer to an order is waited for, of each order before the
last and of the last. There are three at most, remote, select and off, which makes one deadline of all of them."""

IDENTITY_ASK = "*IDN?"
"""IEEE 488.2 10.14; every instrument that keeps that standard answers it."""


class Session:
    """Questions and orders over a wire.

    A message that fails leaves the wire closed. Nothing is said to the instrument again before the line was opened
    anew and the identity question gave the very same answer as at first; so a late reply never becomes the next
    answer, and a stranger never gets an order. That is done at the head of the next message and not at the tail of the
    failed one: a failure is then reported within one deadline, and the other instruments are not kept waiting. What may
    have been sent is never said again: whether to ask again is for the caller to decide. Only a message that certainly
    was not sent, because the line was found closed before it, is said once on a new line. What is left: an instrument
    that answers one question with two lines, the second while the next question waits, gets one wrong answer through
    before it is caught.

    ``expected_identity`` is a text that the answer to ``identity_ask`` must contain, or ``None``; ``patterns`` are
    those of the whole answer (``*`` for anything, ``?`` for one character, small and capital letters alike), of which
    one must fit; none means any. ``errors_ask`` is "" for an instrument without an error queue. ``remote`` is what some
    instruments want to hear after each opening before they obey or answer anything, ``local`` gives a person the keys
    back and is said when a session in good order is closed. ``elsewhere`` lists addresses at which an instrument
    that is gone from its own may have come back, as a serial port does under another name; only its identity is asked
    there. ``order_reply`` is what an instrument answers each order with that answers its orders too, "" for one that
    answers questions only; blanks around it and capitals do not count.
    """

    def __init__(
        self,
        wire: Wire,
        expected_identity: str | None = None,
        *,
        errors_ask: str = "SYST:ERR?",
        remote: str | None = None,
        local: str | None = None,
        identity_ask: str = IDENTITY_ASK,
        patterns: tuple[str, ...] = (),
        elsewhere: Callable[[], Iterable[str]] | None = None,
        order_reply: str = "",
    ) -> None:
        if not identity_ask:
            raise ValueError(f"{wire.name}: identity_ask is empty; give a question whose answer never changes")
        self.wire = wire
        self.expected_identity = expected_identity
        self.identity_ask = identity_ask
        self.patterns = tuple(patterns)
        self._order_reply = OrderReply(order_reply)
        self._errors_ask = errors_ask
        self._remote = remote
        self._local = local
        self._trusted = False
        self._clears = 0
        self._depth = 0
        self._begun = False
        self._lock = threading.RLock()
        self._who = Recognition(
            wire,
            ask=identity_ask,
            first=self._meeting,
            remote=remote,
            order_reply=self._order_reply,
            elsewhere=elsewhere,
        )

    def _meeting(self) -> Meeting:
        return Meeting(
            wire=self.wire,
            ask=self.identity_ask,
            expected=self.expected_identity,
            patterns=self.patterns,
            errors_ask=self._errors_ask,
            open_line=self._who.open_for_questions,
        )

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self.wire.name

    @property
    def answers_orders(self) -> bool:
        """Whether the instrument answers orders too."""
        return bool(self._order_reply)

    @property
    def estranged(self) -> int:
        """How often the instrument obeyed again only after it had been told to go remote once more: somebody pressed
        its local key, or it restarted."""
        return self._who.estranged

    @property
    def openings(self) -> int:
        """How often the line was opened. When it has grown the instrument may have restarted: read its state again."""
        return self.wire.openings

    @property
    def identity(self) -> Identity:
        """What it answered when the session was first opened and it was asked who it is. ``Lost`` before that."""
        if self._who.known is None:
            raise self._lost("its identity is not known yet; open the session first")
        return identity(self._who.known)

    def open(self) -> None:
        """Open the line and ask who is there. Raises ``Timeout``, ``Lost``, ``Unreadable`` or ``WrongIdentity``."""
        with self._lock:
            self._make_sure()

    def close(self) -> None:
        """Say ``local``, where there is one and the line is in good order, and close; never raises."""
        with self._lock:
            if self._local is not None and self._trusted and self.wire.is_open:
                with contextlib.suppress(WireError):
                    self._order_off(self._local, share=FIRST_SHARE, drop=False)
            self.wire.close()

    def reopen(self) -> None:
        """Close, open, ask who is there. Raises ``Lost`` when it is another instrument than before."""
        with self._lock:
            self.wire.close()
            self._make_sure()

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Nobody else says anything on this line until the block is left; it may be entered again inside.

        The messages of one block belong together (select a channel, then command it): after the first of them the line
        is not opened anew inside the block. An instrument that restarted in between has forgotten the first one, and
        the next would go to another channel; it raises ``Lost`` instead, and the caller may begin again.
        """
        with self._lock:
            if self._depth == 0:
                self._begun = False
            self._depth += 1
            try:
                yield
            finally:
                self._depth -= 1

    def distrust(self) -> None:
        """A reply made no sense and may have been owed to another question. Before the next message the identity is
        asked and all that comes before its answer is dropped; on a line that is open this needs no reopening, which
        would restart some instruments.
        """
        self._trusted = False

    def ask(self, message: str) -> bytes:
        """A question; returns the raw reply. Raises ``Timeout`` or ``Lost``."""
        with self._lock:
            raw = self._said(message, self.wire.query)
            assert raw is not None
            if raw == self._who.known and message != self.identity_ask:
                # A line that outlives its port may owe the answer to an identity asked before the one that counted.
                self.wire.close()
                raise self._lost(f"an earlier answer to {self.identity_ask} came late", sent=message, received=raw)
            return raw

    def tell(self, message: str) -> None:
        """An order. Raises ``Timeout`` or ``Lost``; then nobody knows whether it was obeyed. Of an instrument that
        answers orders the answer is waited for; another than is due raises ``InstrumentComplains``.
        """
        with self._lock:
            raw = self._said(message, self._order)
            if raw is not None and not self._order_reply.is_due(raw):
                self.distrust()
                raise InstrumentComplains(
                    self._order_reply.not_due(raw),
                    instrument=self.name,
                    sent=message,
                    received=raw,
                    do="look it up in its manual; is order_reply in its dialect right?",
                )

    def tell_whoever(self, *messages: str) -> None:
        """Orders to whoever is there, only for switching off: "off" hurts no instrument, and must not wait for an
        identity. When the open line fails all of them are said once more on a new one, which saying "off" twice
        allows. A new line starts with an empty message, so that half an earlier message is ended. An answer or an echo
        that is due is taken when it comes; that none comes, or another, keeps nothing back: the next message finds its
        way.
        """
        with self._lock:
            if self.wire.is_open:
                try:
                    self._tell_off(messages, drop=False)
                    return
                except WireError:
                    pass
            self._trusted = False
            self.wire.open()
            # A banner, or what it answers to these, must not keep the order from it.
            with contextlib.suppress(WireError):
                self._order_off("", share=FIRST_SHARE, drop=True)
            if self._remote is not None:
                self.wire.open()
                with contextlib.suppress(WireError):
                    self._order_off(self._remote, share=FIRST_SHARE, drop=True)
            self.wire.open()
            self._tell_off(messages, drop=True)

    def _tell_off(self, messages: tuple[str, ...], *, drop: bool) -> None:
        for number, message in enumerate(messages, 1):
            self._order_off(message, share=LAST_SHARE if number == len(messages) else FIRST_SHARE, drop=drop)

    def _order_off(self, message: str, *, share: float, drop: bool) -> None:
        answered = bool(self._order_reply and message)
        if not (answered or self.wire.echo):
            self.wire.write(message, drop=drop)
            return
        raw = self.wire.dismiss(message, within_s=share * self.wire.timeout_s, answered=answered)
        if raw is None or (answered and not self._order_reply.is_due(raw)):
            self._trusted = False

    def _order(self, message: str) -> bytes | None:
        """Say an order; its answer where one is due."""
        if self._order_reply:
            return self.wire.order(message)
        self.wire.write(message)
        return None

    def errors(self) -> tuple[InstrumentError, ...]:
        """Read the instrument's error queue empty. Raises ``InstrumentComplains`` when it does not empty."""
        found: list[InstrumentError] = []
        if not self._errors_ask:
            return ()
        while len(found) < QUEUE_BOUND:
            try:
                entry = instrument_error(self.ask(self._errors_ask))
            except Unreadable as fault:
                self.distrust()
                raise fault.at(instrument=self.name, sent=self._errors_ask) from None
            if entry is None:
                return tuple(found)
            found.append(entry)
        raise InstrumentComplains(
            f"its error queue does not empty: {QUEUE_BOUND} entries read, the last {found[-1]}",
            instrument=self.name,
            sent=self._errors_ask,
            do="switch the instrument off and on, or check errors_ask in its dialect",
        )

    def _said(self, message: str, say: Callable[[str], bytes | None]) -> bytes | None:
        if not (self._trusted and self.wire.is_open):
            self._make_sure()
        try:
            reply = say(message)
        except WireError as error:
            if not error.unsent:
                self._begun = True
                raise
            # The far end had hung up before a byte of it left: as good as a line that was known to be closed.
            self._make_sure()
            reply = say(message)
        self._begun = True
        if self.wire.clears != self._clears:
            # Who was cleared in the middle of an answer may still give it, after the one to the repeated question.
            self._clears = self.wire.clears
            self._trusted = False
        return reply

    def _make_sure(self) -> None:
        self._trusted = False
        if self._depth and self._begun and not self.wire.is_open:
            raise self._lost("the line was lost amid messages that belong together; nothing more of them was sent")
        self._who.make_sure()
        self._clears = self.wire.clears
        self._trusted = True

    def _lost(self, why: str, *, sent: str = "", received: bytes = b"") -> WireError:
        sent = sent or self.identity_ask
        return Lost(why, instrument=self.name, address=self.wire.address, sent=sent.encode(), received=received)
