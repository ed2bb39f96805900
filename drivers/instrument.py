"""What every driver does: ask for a number or a flag, set something and see that it took."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar

from drivers.channel import Channel
from drivers.dialect import AnyDialect, Choice, Flag, Input, Mode, Reading, Setting, Switch
from drivers.dialect_texts import word_of
from drivers.faults import InstrumentFault, ReadBackMismatch, Unreadable, Unsendable, Unsupported
from drivers.given import Given
from drivers.number_texts import sendable, value_of, whole_of
from drivers.scpi import Identity, InstrumentError
from drivers.session import Session
from drivers.wire import WireError

Some = TypeVar("Some")

StateQuery = tuple[str, Callable[[], "float | bool | str"]]
"""A key of the state and the call that reads it now."""


class Instrument:
    """Base of the drivers. Raises ``Timeout`` and ``Lost`` of the wire, and ``InstrumentFault``.

    ``channel`` is the channel of an instrument that has several, ``name`` what it is called where several drivers share
    one session; else it goes by the session's. Raises ``ChannelRefused`` for a channel the dialect has not.

    A reply that makes no sense also makes the session get back in step before its next message: it may have been
    the answer to another question.
    """

    def __init__(
        self, session: Session, dialect: AnyDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        self.session = session
        self.name = session.name if name is None else name
        """The instrument's name in the bench file."""
        if not (self.name and self.name.isprintable()):
            raise ValueError(f"name = {self.name!r}: an instrument's name is one line of printable text")
        self._any = dialect
        self._line = Channel(session, dialect, channel=channel, name=self.name)
        self.given = Given()
        """What it was set to, and whether it has been read otherwise since."""
        self._estranged = session.estranged

    @property
    def identity(self) -> Identity:
        """What it answered when it was asked who it is."""
        return self.session.identity

    def messages(self, template: str, number_text: str = "") -> tuple[str, ...]:
        """The literal messages that carry a text of the dialect to this instrument, or to its channel."""
        return self._line.messages(template, number_text)

    @property
    def channel(self) -> int | None:
        """The channel of the instrument this driver is for; ``None`` where it has but one."""
        return None if self._any.channels.how == "none" else self._line.number

    def meddled_with(self) -> str | None:
        """Words when somebody else used this instrument in a way that leaves no trace in its settings: selected another
        channel, or took it to local. Each is told once."""
        words = []
        if self._line.stolen is not None:
            words.append(f"selected was {self._line.number}, is {self._line.stolen}")
            self._line.stolen = None
        if self.session.estranged != self._estranged:
            self._estranged = self.session.estranged
            words.append("remote was on, is off")
        return ", ".join(words) or None

    @property
    def can_regain(self) -> bool:
        """Whether its dialect knows a text that takes control back from its front panel."""
        return bool(self._any.regain)

    def regain(self) -> None:
        """Take control back from its front panel, from whoever is there; only where "off" was not obeyed."""
        if self._any.regain:
            self.session.tell_whoever(self._any.regain)

    def errors(self) -> tuple[InstrumentError, ...]:
        """Its error queue, read empty; nothing of an instrument without one."""
        return self.session.errors() if self._any.errors_ask else ()

    def _number(self, part: Reading | Setting) -> float:
        raw = self._line.ask(part.ask)
        try:
            value = value_of(raw, part, decimal_comma=self._any.decimal_comma)
        except InstrumentFault as fault:
            raise self._not_understood(fault, part.ask) from None
        self.given.notice(part, value)
        return value

    def _not_understood(self, fault: InstrumentFault, ask: str) -> InstrumentFault:
        self.session.distrust()
        return fault.at(instrument=self.name, sent=self._line.text(ask))

    def _set(self, setting: Setting, value: float, what: str) -> float:
        try:
            text, meant = sendable(setting, value, exponent=self._any.exponent)
        except ValueError as error:
            raise Unsendable(f"{what}: {error}; nothing was sent", instrument=self.name) from None
        self.given.drop(setting)
        self._line.tell(setting.set, text)
        sent = self._line.text(setting.set, text)
        with _confirming(sent):
            held = self._number(setting)
        # A hair of slack: both sides of the comparison are decimal texts turned binary.
        if not abs(held - meant) <= setting.half_step * (1 + 1e-6):
            shown = text if setting.per_unit == 1.0 else f"{meant:g}"
            raise ReadBackMismatch(
                f"{what}: {shown} {setting.unit} was sent, {held:g} {setting.unit} is held",
                asked=meant,
                held=held,
                instrument=self.name,
                sent=sent,
                do="check the instrument's range and limits, and that nobody else is setting it",
            )
        self.given.hold(setting, what, held)
        return held

    def _set_least(self, setting: Setting, what: str) -> None:
        self._set(setting, max(0.0, setting.least or 0.0), what)

    def _send_least(self, setting: Setting) -> None:
        """The least it takes, sent to whoever is there and not read back."""
        least = max(0.0, setting.least or 0.0)
        self.given.drop(setting)
        self._line.tell_whoever(setting.set, sendable(setting, least, exponent=self._any.exponent)[0])

    def _word(self, ask: str, table: dict[str, tuple[str, ...]]) -> str:
        raw = self._line.ask(ask)
        text = word_of(raw.decode("ascii", "backslashreplace"))
        for word, replies in table.items():
            if text in replies:
                self.given.notice(ask, word)
                return word
        known = ", ".join(reply for replies in table.values() for reply in replies)
        raise self._not_understood(Unreadable(f"is none of {known}", received=raw, do="check its dialect"), ask)

    def _is_on(self, switch: Switch | Input) -> bool:
        if switch.bit is not None:
            on = bool(self._whole(switch) >> switch.bit & 1)
        else:
            on = self._word(switch.ask, {"on": switch.reply_on, "off": switch.reply_off}) == "on"
        self.given.notice(switch, on)
        return on

    def _switch(self, switch: Switch, on: bool, what: str, *, trips: tuple[Flag, ...] = ()) -> None:
        message = switch.set_on if on else switch.set_off
        try:
            self._line.tell(message)
        except ReadBackMismatch:
            if on:
                # Somebody else's channel was selected: what was to switch ours on may have switched that one on.
                with suppress(WireError):
                    self._line.tell_selected(switch.set_off)
            raise
        with _confirming(self._line.text(message)):
            held = self._is_on(switch)
        if held is on:
            return
        why = self._trip_if_told(trips) if on else None
        raise ReadBackMismatch(
            f"{what} is still {'off' if on else 'on'}" + (f": {why}" if why else ""),
            asked=on,
            held=not on,
            instrument=self.name,
            sent=self._line.text(message),
            do="find the cause before clearing any protection" if why else "check its front panel and inputs",
        )

    def _hold(self, switch: Switch, on: bool, what: str) -> None:
        """Switch something that has to stay so, unlike an output, which may go off by itself."""
        self.given.drop(switch)
        self._switch(switch, on, what)
        self.given.hold(switch, what, on)

    def _trip_if_told(self, trips: tuple[Flag, ...]) -> str | None:
        """The mismatch is the news; that its cause cannot be read either must not take its place."""
        try:
            return self._tripped(trips)
        except (WireError, InstrumentFault):
            return None

    def _choose(self, choice: Choice, word: str, what: str) -> None:
        message = choice.set[word]
        self.given.drop(choice.ask)
        self._line.tell(message)
        with _confirming(self._line.text(message)):
            held = self._word(choice.ask, choice.reply)
        if held != word:
            raise ReadBackMismatch(
                f"{what}: {word} was sent, {held} is held",
                asked=word,
                held=held,
                instrument=self.name,
                sent=self._line.text(message),
                do="check that nobody else is setting it",
            )
        self.given.hold(choice.ask, what, held)

    def _tripped(self, flags: tuple[Flag, ...]) -> str | None:
        answers: dict[tuple[str, str], int] = {}
        found = []
        for flag in flags:
            place = (flag.ask, flag.reply)
            if place not in answers:
                answers[place] = self._whole(flag)
            value = answers[place]
            if value if flag.bit is None else value >> flag.bit & 1:
                found.append(flag.words)
        return ", ".join(found) or None

    def _whole(self, part: Flag | Mode | Switch | Input) -> int:
        raw = self._line.ask(part.ask)
        try:
            return whole_of(raw, part)
        except InstrumentFault as fault:
            raise self._not_understood(fault, part.ask) from None

    def _clear(self, texts: tuple[str, ...], switch: Switch, what: str, trips: tuple[Flag, ...]) -> None:
        """Clear a trip of an instrument that is off and turned down, and see that it stays off."""
        sent = ", ".join(self._line.text(text) for text in texts)
        try:
            for text in texts:
                self._line.tell(text)
            with _confirming(sent):
                came_on = self._is_on(switch)
        except (WireError, InstrumentFault):
            # It may have come on, and nobody knows: off, to whoever is there; the first fault is the one to tell.
            with suppress(WireError):
                self._line.tell_whoever(switch.set_off)
            raise
        if came_on:
            self._line.tell_whoever(switch.set_off)
            why = f"{what} came on as its protection was cleared, and was {self._after_off(switch)}"
            raise self._not_cleared(why, sent, do="take the leads off before clearing it again")
        if still := self._tripped(trips):
            raise self._not_cleared(f"protection is still tripped: {still}", sent, do="remove the cause first")

    def _not_cleared(self, why: str, sent: str, *, do: str) -> ReadBackMismatch:
        return ReadBackMismatch(why, asked=False, held=True, instrument=self.name, sent=sent, do=do)

    def _after_off(self, switch: Switch) -> str:
        try:
            return "switched off again, but still says on" if self._is_on(switch) else "switched off again"
        except (WireError, InstrumentFault):
            return "sent off again, which it does not confirm"

    def _shared_queries(self) -> list[StateQuery]:
        """What every instrument with channels or a front panel may be asked of its state."""
        queries: list[StateQuery] = []
        if (remote := self._any.remote) is not None and remote.ask:
            queries.append(("remote", self.is_remote))
        if self._line.can_tell_selection:
            queries.append(("selected", self._line.selected))
        return queries

    def is_remote(self) -> bool:
        """Whether it obeys us and not its front panel, as it says itself. May raise ``Unsupported``."""
        remote = self._any.remote
        if remote is None or not remote.ask:
            raise self._unsupported("remote", "with ask")
        raw = self.session.ask(remote.ask)
        text = word_of(raw.decode("ascii", "backslashreplace"))
        if text in remote.reply_on or text in remote.reply_off:
            return text in remote.reply_on
        known = ", ".join((*remote.reply_on, *remote.reply_off))
        raise self._not_understood(Unreadable(f"is none of {known}", received=raw, do="check its dialect"), remote.ask)

    def _unsupported(self, key: str, more: str = "") -> Unsupported:
        declared = key in self._any.not_supported
        return Unsupported(
            f"dialect {self._any.name} has no [{key}]{' ' if more else ''}{more}",
            instrument=self.name,
            do="the instrument cannot do it, its dialect says" if declared else "use a dialect that has it",
        )

    def _needed(self, table: Some | None, key: str) -> Some:
        if table is None:
            raise self._unsupported(key)
        return table


@contextmanager
def _confirming(sent: str) -> Iterator[None]:
    """A question that fails after an order: the order is what the person has to know about."""
    try:
        yield
    except WireError as error:
        error.why += f"; {sent!r} was sent just before and is not confirmed"
        raise
