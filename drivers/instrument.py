"""What every driver does: ask for a number or a flag, set something and see that it took."""

from __future__ import annotations

from collections.abc import Callable

from drivers.dialect import Choice, Flag, Input, Reading, Setting, Switch
from drivers.faults import InstrumentFault, ReadBackMismatch, Unreadable
from drivers.scpi import Identity, InstrumentError, fixed, number
from drivers.session import Session
from drivers.wire import WireError

StateQuery = tuple[str, Callable[[], "float | bool | str"]]
"""A key of the state and the call that reads it now."""


class Instrument:
    """Base of the drivers. Raises ``Timeout`` and ``Lost`` of the wire, and ``InstrumentFault``.

    A reply that makes no sense also makes the session get back in step before its next message: it may have been
    the answer to another question.
    """

    def __init__(self, session: Session, *, decimal_comma: bool = False) -> None:
        self.session = session
        self._decimal_comma = decimal_comma

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self.session.name

    @property
    def identity(self) -> Identity:
        """What it answered to ``*IDN?``."""
        return self.session.identity

    def errors(self) -> tuple[InstrumentError, ...]:
        """Its error queue, read empty."""
        return self.session.errors()

    def _number(self, reading: Reading | Setting) -> float:
        raw = self.session.ask(reading.ask)
        try:
            return number(raw, unit=reading.unit, decimal_comma=self._decimal_comma)
        except InstrumentFault as fault:
            self.session.distrust()
            raise fault.at(instrument=self.name, sent=reading.ask) from None

    def _set(self, setting: Setting, value: float, what: str) -> float:
        try:
            text = fixed(value, decimals=setting.decimals)
        except ValueError as error:
            raise ValueError(f"{self.name}: {what}: {error}") from None
        message = setting.set.replace("{}", text)
        self.session.tell(message)
        held = self._number(setting)
        # A hair of slack: both sides of the comparison are decimal texts turned binary.
        if not abs(held - float(text)) <= setting.half_step * (1 + 1e-6):
            raise ReadBackMismatch(
                f"{what}: {text} {setting.unit} was sent, {held:g} {setting.unit} is held",
                asked=float(text),
                held=held,
                instrument=self.name,
                sent=message,
                do="check the instrument's range and limits, and that nobody else is setting it",
            )
        return held

    def _word(self, ask: str, table: dict[str, tuple[str, ...]]) -> str:
        raw = self.session.ask(ask)
        text = raw.decode("ascii", "backslashreplace").strip().strip('"').upper()
        if text.lstrip("+-").isdecimal():
            text = str(int(text))  # +1 and 01 are 1
        for word, replies in table.items():
            if text in replies:
                return word
        self.session.distrust()
        known = ", ".join(reply for replies in table.values() for reply in replies)
        raise Unreadable(f"is none of {known}", instrument=self.name, sent=ask, received=raw, do="check its dialect")

    def _is_on(self, switch: Switch | Input) -> bool:
        return self._word(switch.ask, {"on": switch.reply_on, "off": switch.reply_off}) == "on"

    def _switch(self, switch: Switch, on: bool, what: str, *, trips: tuple[Flag, ...] = ()) -> None:
        message = switch.set_on if on else switch.set_off
        self.session.tell(message)
        if self._is_on(switch) is on:
            return
        why = self._trip_if_told(trips) if on else None
        raise ReadBackMismatch(
            f"{what} is still {'off' if on else 'on'}" + (f": {why}" if why else ""),
            asked=on,
            held=not on,
            instrument=self.name,
            sent=message,
            do="find the cause before clearing any protection" if why else "check its front panel and inputs",
        )

    def _trip_if_told(self, trips: tuple[Flag, ...]) -> str | None:
        """The mismatch is the news; that its cause cannot be read either must not take its place."""
        try:
            return self._tripped(trips)
        except (WireError, InstrumentFault):
            return None

    def _choose(self, choice: Choice, word: str, what: str) -> None:
        message = choice.set[word]
        self.session.tell(message)
        held = self._word(choice.ask, choice.reply)
        if held != word:
            raise ReadBackMismatch(
                f"{what}: {word} was sent, {held} is held",
                asked=word,
                held=held,
                instrument=self.name,
                sent=message,
                do="check that nobody else is setting it",
            )

    def _tripped(self, flags: tuple[Flag, ...]) -> str | None:
        answers: dict[str, int] = {}
        found = []
        for flag in flags:
            if flag.ask not in answers:
                answers[flag.ask] = self._whole(flag.ask)
            value = answers[flag.ask]
            if value if flag.bit is None else value >> flag.bit & 1:
                found.append(flag.words)
        return ", ".join(found) or None

    def _whole(self, ask: str) -> int:
        raw = self.session.ask(ask)
        try:
            value = number(raw, unit="")
            if not value.is_integer() or value < 0:
                raise Unreadable("is not a register of whole bits", received=raw, do="check its dialect")
            return int(value)
        except InstrumentFault as fault:
            self.session.distrust()
            raise fault.at(instrument=self.name, sent=ask) from None
