"""Which channel of an instrument a message is for; between a driver and the session, which several may share."""

from __future__ import annotations

from weakref import WeakKeyDictionary

from drivers.dialect_kinds import AnyDialect
from drivers.faults import NotANumber, ReadBackMismatch, Unreadable, Unsendable
from drivers.number_texts import in_form
from drivers.scpi import number
from drivers.session import Session

_last_selected: WeakKeyDictionary[Session, tuple[int, int]] = WeakKeyDictionary()
"""How often the line had been opened, and the channel this program selected last on it: what is found instead was
somebody else. On a line that was opened anew since, it may have been the instrument, which starts with its first.
"""


class ChannelRefused(ValueError):
    """The bench file gives a channel that the dialect has not, or none where one is due; one line."""


def channel_of(dialect: AnyDialect, channel: int | None, *, name: str) -> int:
    """The channel to be used. Raises ``ChannelRefused``."""
    channels = dialect.channels
    if channels.how == "none":
        if channel is None:
            return channels.least
        raise ChannelRefused(
            f"{name}: channel = {channel}: dialect {dialect.name} has no channels; take the line out, or use a dialect "
            "with a table [channels]"
        )
    span = f"{channels.least} to {channels.most}"
    if channel is None:
        if channels.least == channels.most:
            return channels.least
        raise ChannelRefused(f"{name}: channel is missing: dialect {dialect.name} has channels {span}; add channel = N")
    if not channels.least <= channel <= channels.most:
        raise ChannelRefused(f"{name}: channel = {channel}: dialect {dialect.name} has channels {span}")
    return channel


class Channel:
    """Texts of a dialect in, messages out. A number goes in for ``{}``, the channel's number for ``{channel}``.

    With ``how = "select"`` the selection is a state of the instrument, shared by all who talk to it. Either both go as
    one message, or one after the other with nobody of this program between them; in both cases the instrument is asked
    what is selected where it can tell, and another channel than ours is a ``ReadBackMismatch``.
    """

    def __init__(self, session: Session, dialect: AnyDialect, *, channel: int | None, name: str) -> None:
        self._session, self._how, self._name = session, dialect.channels, name
        self.number = channel_of(dialect, channel, name=name)
        self._most_bytes = dialect.line.message_bytes
        self._ends = dialect.line.terminator
        self._select = self._how.set.replace("{channel}", str(self.number)) if self._how.how == "select" else ""
        self._known: dict[str, str] = {}
        self.stolen: int | None = None
        """The channel that somebody else had selected when this one last looked, until it is taken note of."""

    def text(self, template: str, number_text: str = "") -> str:
        """The command itself, without a selection: what faults name as sent."""
        known = self._known.get(template)
        if known is None:
            known = self._known[template] = self._filled(template)
        return known.replace("{}", number_text) if number_text else known

    def ask(self, template: str) -> bytes:
        """A question about this channel; the raw reply."""
        message = self.text(template)
        if not self._select:
            return self._session.ask(self._fitting(message))
        if self._how.joined:
            return self._ask_joined(message)
        with self._session.held():
            self._tell_selection()
            raw = self._session.ask(self._fitting(message))
            self._see_selection(message)
        return raw

    def tell(self, template: str, number_text: str = "") -> None:
        """An order to this channel."""
        message = self.text(template, number_text)
        if not self._select:
            self._session.tell(self._fitting(message))
            return
        with self._session.held():
            if self._how.joined:
                # No question goes with it: what was not answered may be asked again, an order may not.
                self._session.tell(self._fitting(self._join(self._select, message)))
                self._has_selected()
                return
            self._tell_selection()
            self._session.tell(self._fitting(message))
            self._see_selection(message)

    def tell_whoever(self, template: str, number_text: str = "") -> None:
        """An order to whoever is there, only for switching off: neither identity nor selection is looked at. What goes
        as one message is said once more in two: some obey a part of a message only, or none of it.
        """
        messages = self.messages(template, number_text)
        if len(messages) < 2 and self._select:
            messages = (*messages, self._select, self.text(template, number_text))
        self._session.tell_whoever(*messages)
        if self._select:
            self._has_selected()

    def tell_selected(self, template: str) -> None:
        """An order to whichever channel is selected now, to take back what went there by mistake."""
        self._session.tell_whoever(self.text(template))

    def messages(self, template: str, number_text: str = "") -> tuple[str, ...]:
        """The literal messages that carry an order to this channel."""
        message = self.text(template, number_text)
        if not self._select:
            return (message,)
        return (self._join(self._select, message),) if self._how.joined else (self._select, message)

    def literal(self, template: str) -> str:
        """What goes over the line for it, messages apart by a line feed."""
        return "\n".join(self.messages(template))

    @property
    def can_tell_selection(self) -> bool:
        """Whether ``selected`` can be asked."""
        return bool(self._select and self._how.ask)

    def selected(self) -> float:
        """Our channel while the instrument's selection is as this program left it, else the channel it says."""
        with self._session.held():
            held = self._selection(self._session.ask(self._how.ask), self._how.ask)
            return float(self.number if self._is_ours(held) else held)

    def _filled(self, template: str) -> str:
        text = template.replace("{channel}", str(self.number))
        if not (text.isascii() and text.isprintable()) or ";" in text:
            raise Unsendable(f"{text!r} is not one command of printable ASCII; nothing was sent", instrument=self._name)
        return text

    def _fitting(self, message: str) -> str:
        if self._most_bytes and len(message) + len(self._ends) > self._most_bytes:
            raise Unsendable(
                f"{message!r} has {len(message) + len(self._ends)} bytes, [line] message_bytes of its dialect allows "
                f"{self._most_bytes}; nothing was sent",
                instrument=self._name,
                do="use shorter headers, or fewer decimals",
            )
        return message

    def _join(self, first: str, second: str) -> str:
        # The colon goes back to the root: without it the second is read below the first (SCPI-1999 volume 1, 6.2.4).
        return f"{first};{'' if second[:1] in ':*' else ':'}{second}"

    def _ask_joined(self, message: str) -> bytes:
        whole = self._join(self._select, message)
        if not self._how.ask:
            return self._session.ask(self._fitting(whole))
        whole = self._fitting(self._join(self._how.ask, self._join(whole, self._how.ask)))
        with self._session.held():
            reply = self._session.ask(whole)
            first, apart, rest = reply.partition(b";")
            raw, apart_too, last = rest.rpartition(b";")
            if not (apart and apart_too):
                self._session.distrust()
                raise Unreadable(
                    f"has {1 + reply.count(b';')} part(s) where three were due, for three questions in one message",
                    instrument=self._name,
                    sent=whole,
                    received=reply,
                    do="it obeys a part of a message only: set joined = false in [channels] of its dialect",
                )
            self._look_back(self._selection(first, whole))
            self._compare(self._selection(last, whole), message)
        return raw

    def _look_back(self, held: int) -> None:
        """Whether what was selected before is what this program left selected."""
        if not self._is_ours(held):
            self.stolen = held
        self._has_selected()

    def _is_ours(self, held: int) -> bool:
        openings, ours = _last_selected.get(self._session, (0, held))
        return held == ours or openings != self._session.openings

    def _has_selected(self) -> None:
        _last_selected[self._session] = (self._session.openings, self.number)

    def _tell_selection(self) -> None:
        if self._how.ask:
            self._look_back(self._selection(self._session.ask(self._how.ask), self._how.ask))
        self._session.tell(self._fitting(self._select))
        self._has_selected()

    def _see_selection(self, message: str) -> None:
        self._compare(self._selection(self._session.ask(self._how.ask), self._how.ask), message)

    def _selection(self, raw: bytes, sent: str) -> int:
        try:
            value = number(in_form(raw, self._how.reply), unit="")
        except NotANumber as fault:
            self._session.distrust()
            raise fault.at(instrument=self._name, sent=sent) from None
        return int(value) if abs(value) < 1e6 else -1

    def _compare(self, held: int, message: str) -> None:
        if held != self.number:
            self.stolen = held
            raise ReadBackMismatch(
                f"channel {held} is selected, {self.number} was: somebody else is on this instrument",
                asked=float(self.number),
                held=float(held),
                instrument=self._name,
                sent=message,
                do="let nobody else use it meanwhile; what was sent may have gone to the other channel",
            )
