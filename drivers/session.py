"""A conversation with one instrument that knows whom it talks to."""

from __future__ import annotations

import threading

from drivers.faults import InstrumentComplains, Unreadable, WrongIdentity
from drivers.scpi import Identity, InstrumentError, identity, instrument_error
from drivers.wire import Lost, Timeout, Wire, WireError

QUEUE_BOUND = 32
"""Most entries read from an error queue; one that still has more never empties."""


IDENTITY_ASK = "*IDN?"
"""IEEE 488.2 10.14; every instrument answers it."""


class Session:
    """Questions and orders over a wire.

    A message that fails leaves the wire closed. Nothing is said to the instrument again before the line was opened
    anew and ``*IDN?`` gave the very same answer as at first; so a late reply never becomes the next answer, and a
    stranger never gets an order. That is done at the head of the next message and not at the tail of the failed one:
    a failure is then reported within one deadline, and the other instruments are not kept waiting. Nothing is ever
    said twice: whether to ask again is for the caller to decide. What is left: an instrument that answers one question
    with two lines, the second while the next question waits, gets one wrong answer through before it is caught.

    ``expected_identity`` is a text that the answer to ``*IDN?`` must contain, or ``None``. ``remote`` is what some
    instruments want to hear after each opening before they obey or answer anything.
    """

    def __init__(
        self,
        wire: Wire,
        expected_identity: str | None = None,
        *,
        errors_ask: str = "SYST:ERR?",
        remote: str | None = None,
    ) -> None:
        self.wire = wire
        self.expected_identity = expected_identity
        self._errors_ask = errors_ask
        self._remote = remote
        self._known: bytes | None = None
        self._trusted = False
        self._lock = threading.RLock()

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self.wire.name

    @property
    def openings(self) -> int:
        """How often the line was opened. When it has grown the instrument may have restarted: read its state again."""
        return self.wire.openings

    @property
    def identity(self) -> Identity:
        """What it answered to ``*IDN?`` when the session was first opened. ``Lost`` before that."""
        if self._known is None:
            raise self._lost("its identity is not known yet; open the session first")
        return identity(self._known)

    def open(self) -> None:
        """Open the line and ask who is there. Raises ``Timeout``, ``Lost``, ``Unreadable`` or ``WrongIdentity``."""
        with self._lock:
            self._make_sure()

    def close(self) -> None:
        """Close the line; never raises."""
        self.wire.close()

    def reopen(self) -> None:
        """Close, open, ask who is there. Raises ``Lost`` when it is another instrument than before."""
        with self._lock:
            self.wire.close()
            self._make_sure()

    def distrust(self) -> None:
        """A reply made no sense and may have been owed to another question. Before the next message ``*IDN?`` is asked
        and all that comes before its answer is dropped; on a line that is open this needs no reopening, which would
        restart some instruments.
        """
        self._trusted = False

    def ask(self, message: str) -> bytes:
        """A question; returns the raw reply. Raises ``Timeout`` or ``Lost``."""
        with self._lock:
            if not (self._trusted and self.wire.is_open):
                self._make_sure()
            raw = self.wire.query(message)
            if raw == self._known and message != IDENTITY_ASK:
                # A line that outlives its port may owe the answer to an identity asked before the one that counted.
                self.wire.close()
                raise self._lost("an earlier answer to *IDN? came late", sent=message, received=raw)
            return raw

    def tell(self, message: str) -> None:
        """An order without a reply. Raises ``Timeout`` or ``Lost``; then nobody knows whether it was obeyed."""
        with self._lock:
            if not (self._trusted and self.wire.is_open):
                self._make_sure()
            self.wire.write(message)

    def tell_whoever(self, message: str) -> None:
        """An order to whoever is there, only for switching off: "off" hurts no instrument, and must not wait for an
        identity. When the open line fails it is said once more on a new one, which saying "off" twice allows. A new
        line starts with an empty message, so that half an earlier message is ended.
        """
        with self._lock:
            if self.wire.is_open:
                try:
                    self.wire.write(message)
                    return
                except WireError:
                    pass
            self._trusted = False
            self.wire.open()
            self.wire.write("")
            if self._remote is not None:
                self.wire.write(self._remote)
            self.wire.write(message)

    def errors(self) -> tuple[InstrumentError, ...]:
        """Read the instrument's error queue empty. Raises ``InstrumentComplains`` when it does not empty."""
        found: list[InstrumentError] = []
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

    def _make_sure(self) -> None:
        self._trusted = False
        self.wire.open()
        try:
            if self._remote is not None:
                self.wire.write(self._remote)
            if self._known is None:
                self._meet()
            else:
                self._recognise(self._known)
        except BaseException:
            self.wire.close()
            raise
        self._trusted = True

    def _meet(self) -> None:
        raw = self._introduction()
        try:
            identity(raw)
        except Unreadable as fault:
            raise fault.at(instrument=self.name, sent=IDENTITY_ASK) from None
        expected = self.expected_identity
        if expected is not None and expected not in raw.decode("ascii", "backslashreplace"):
            raise WrongIdentity(
                f"the bench file expects {expected!r} at {self.wire.address}",
                instrument=self.name,
                sent=IDENTITY_ASK,
                received=raw,
                do="check which instrument is at which address, or correct identity in the bench file",
            )
        self._known = raw

    def _introduction(self) -> bytes:
        """The answer to ``*IDN?`` of an instrument not met before. Some say a line of their own at each opening: it is
        passed over, as identities have commas. Where none comes, the line that did come is the identity.
        """
        try:
            return self.wire.find(IDENTITY_ASK, lambda line: line.count(b",") >= 2)
        except Timeout as error:
            said = error.received
            if not said:
                raise
        self.wire.open()
        if self._remote is not None:
            self.wire.write(self._remote)
        return self.wire.find(IDENTITY_ASK, said.__eq__)

    def _recognise(self, known: bytes) -> None:
        try:
            self.wire.find(IDENTITY_ASK, known.__eq__)
        except Timeout as error:
            if error.received.count(b",") >= known.count(b","):
                raise self._lost(f"answers as another instrument than {known!r}", received=error.received) from error
            raise

    def _lost(self, why: str, *, sent: str = IDENTITY_ASK, received: bytes = b"") -> WireError:
        return Lost(why, instrument=self.name, address=self.wire.address, sent=sent.encode(), received=received)
