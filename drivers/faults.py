"""What an instrument may do wrong although the line to it works.

::

    InstrumentFault
     +-- NotANumber (ValueError)        a reply that should be a number in a given unit is not
     +-- Unreadable (ValueError)        a reply that should be a word, a flag, an identity or an error entry is not
     +-- ReadBackMismatch               the instrument holds another value than the one sent
     +-- WrongIdentity                  another instrument answers at this address
     +-- Unsendable (ValueError)        what it would be sent it cannot take; nothing was sent
     +-- InstrumentComplains            its error queue holds entries or never empties, or an order is refused
     +-- Unsupported                    the dialect has no such message

A line that does not work is :class:`drivers.wire.WireError`. Each message is one line: instrument, what was sent, the
raw bytes received, what to do next.
"""

from __future__ import annotations


class InstrumentFault(Exception):
    """One line about one instrument; the parts are kept as attributes."""

    def __init__(self, why: str, *, instrument: str = "", sent: str = "", received: bytes | None = None, do: str = ""):
        super().__init__(why)
        self.why = why
        self.instrument = instrument
        self.sent = sent
        self.received = received
        self.do = do

    def at(self, *, instrument: str, sent: str) -> InstrumentFault:
        """The same fault with the place filled in; parsers know neither instrument nor message."""
        self.instrument = self.instrument or instrument
        self.sent = self.sent or sent
        return self

    def __str__(self) -> str:
        parts = [self.instrument] if self.instrument else []
        if self.sent:
            parts.append(f"sent {self.sent!r}")
        if self.received is not None:
            parts.append(f"received {self.received!r}")
        parts.append(self.why)
        line = ": ".join(parts)
        return f"{line}; {self.do}" if self.do else line


class NotANumber(InstrumentFault, ValueError):
    """A reply that is no number, or one in another unit. ``received`` holds the raw bytes."""


class Unreadable(InstrumentFault, ValueError):
    """A reply that is none of the words, flags or entries it may be."""


class ReadBackMismatch(InstrumentFault):
    """What the instrument says it holds is not what it was sent.

    ``asked`` is what was sent, ``held`` what came back.
    """

    def __init__(self, why: str, *, asked: float | str | bool, held: float | str | bool, **place: str | bytes | None):
        super().__init__(why, **place)  # type: ignore[arg-type]
        self.asked = asked
        self.held = held


class Unsendable(InstrumentFault, ValueError):
    """A number beyond its range or resolution, or a message it cannot take. Nothing was sent."""


class WrongIdentity(InstrumentFault):
    """``*IDN?`` is answered by an instrument other than the one the bench file expects."""


class InstrumentComplains(InstrumentFault):
    """The instrument's own error queue, or its answer to an order, says something went wrong."""


class Unsupported(InstrumentFault):
    """This dialect has no message for what was asked."""
