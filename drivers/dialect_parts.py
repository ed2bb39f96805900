"""The parts of a dialect: records of the texts an instrument understands and answers, each checked by itself."""

from __future__ import annotations

from typing import Literal

import msgspec

Unit = Literal["V", "A", "Ohm", "W", "Cel", "s", ""]


def tell_apart(replies: dict[str, tuple[str, ...]]) -> None:
    """Raises ValueError when one text would mean two things, or is not in capitals."""
    seen: dict[str, str] = {}
    for key, texts in replies.items():
        for text in texts:
            if text != text.upper():
                raise ValueError(f"{key} = {text!r}: capitals are due; the instrument may answer in any case")
            if text in seen:
                raise ValueError(f"{text!r} stands in {seen[text]} and in {key}; a reply must mean one thing")
            seen[text] = key


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of a dialect file; an unknown key is refused."""


class Reading(Table, frozen=True, kw_only=True):
    """A question answered by a number."""

    ask: str
    unit: Unit


class Setting(Table, frozen=True, kw_only=True):
    """A number the instrument holds. ``set`` has one ``{}`` for it; ``step`` is what it resolves, in ``unit``."""

    ask: str
    set: str
    unit: Unit
    decimals: int
    step: float | None = None

    @property
    def half_step(self) -> float:
        """Half of what the instrument resolves, in ``unit``: a read-back within it is the same value."""
        return 0.5 * (10.0**-self.decimals if self.step is None else self.step)

    def __post_init__(self) -> None:
        if self.set.count("{}") != 1:
            raise ValueError("set needs exactly one {} where the number goes")
        if not 0 <= self.decimals <= 9:
            raise ValueError("decimals is 0 to 9")
        if self.step is not None and not 0 < self.step < 1e3:
            raise ValueError("step is above 0")


class Switch(Table, frozen=True, kw_only=True):
    """Something that is on or off. ``reply_on`` and ``reply_off`` are the answers to ``ask``."""

    ask: str
    set_on: str
    set_off: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")

    def __post_init__(self) -> None:
        tell_apart({"reply_on": self.reply_on, "reply_off": self.reply_off})


class Input(Table, frozen=True, kw_only=True):
    """Something that is only asked whether it is on, such as a contact; replies as of a switch."""

    ask: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")

    def __post_init__(self) -> None:
        tell_apart({"reply_on": self.reply_on, "reply_off": self.reply_off})


class Choice(Table, frozen=True, kw_only=True):
    """One of several words of ours; ``set`` and ``reply`` give the instrument's text for each."""

    ask: str
    set: dict[str, str]
    reply: dict[str, tuple[str, ...]]

    def __post_init__(self) -> None:
        if self.set.keys() != self.reply.keys():
            raise ValueError("set and reply need the same words")
        tell_apart(self.reply)


class Flag(Table, frozen=True, kw_only=True):
    """A latched trip: the answer to ``ask`` is a whole number; ``bit`` picks one of it, without it any but 0 counts."""

    ask: str
    words: str
    bit: int | None = None


class Mode(Table, frozen=True, kw_only=True):
    """What regulates: ``reply`` maps the masked whole number answered (as text) to a word of ours."""

    ask: str
    mask: int
    reply: dict[str, Literal["cv", "cc", "off", "driven", "unknown"]]

    def __post_init__(self) -> None:
        for key in self.reply:
            if not key.isdecimal() or int(key) & ~self.mask:
                raise ValueError(f"reply {key}: a whole number within mask = {self.mask} is due")


class Line(Table, frozen=True, kw_only=True):
    """How lines end and what else the port needs. ``remote`` is sent after each opening, before anything else."""

    terminator: str = "\n"
    gap_s: float | None = None
    echo: bool = False
    pace_s: float = 0.0
    remote: str | None = None
