"""The parts of a dialect: records of the texts an instrument understands and answers.

Here are only keys, types and defaults; what makes no sense together is told in ``drivers/dialect_checks.py``.
"""

from __future__ import annotations

from typing import Literal

import msgspec

Unit = Literal["V", "A", "Ohm", "W", "Cel", "s", ""]


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of a dialect file; an unknown key is refused."""


class Reading(Table, frozen=True, kw_only=True):
    """A question answered by a number.

    ``reply`` is the form of the answer: one ``{}`` where the number stands, ``*`` for anything, all else as it is
    (capitals and small letters are one). ``per_unit`` is how many of the instrument's counts make one ``unit``: 1000
    for an instrument that counts in millivolts and writes no unit.
    """

    ask: str
    unit: Unit
    reply: str = "{}"
    per_unit: float = 1.0


class Setting(Table, frozen=True, kw_only=True):
    """A number the instrument holds. ``set`` has one ``{}`` for it.

    ``decimals`` is how many are sent. ``step`` is what the instrument resolves where that is coarser, ``least`` and
    ``most`` the ends of its range, all in ``unit``; beyond them nothing is sent. The number sent is the value times
    ``per_unit``. ``exponent`` stands for the key of the same name of the whole dialect.
    """

    ask: str
    set: str
    unit: Unit
    decimals: int
    step: float | None = None
    least: float | None = None
    most: float | None = None
    reply: str = "{}"
    per_unit: float = 1.0
    exponent: bool | None = None

    @property
    def finest(self) -> float:
        """What the instrument resolves, in ``unit``."""
        sent: float = 10.0**-self.decimals / self.per_unit
        return sent if self.step is None else max(sent, self.step)

    @property
    def half_step(self) -> float:
        """Half of what the instrument resolves, in ``unit``: a read-back within it is the same value."""
        return 0.5 * self.finest


class Switch(Table, frozen=True, kw_only=True):
    """Something that is on or off. ``reply_on`` and ``reply_off`` are the answers to ``ask``.

    With ``bit`` the answer is a whole number instead, of which this bit (0 the lowest) is 1 for on; ``form`` is the
    form of the answer around that number.
    """

    ask: str
    set_on: str
    set_off: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")
    bit: int | None = None
    form: str = "{}"


class Input(Table, frozen=True, kw_only=True):
    """Something that is only asked whether it is on, such as a contact; replies, or a bit, as of a switch."""

    ask: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")
    bit: int | None = None
    form: str = "{}"


class Choice(Table, frozen=True, kw_only=True):
    """One of several words of ours; ``set`` and ``reply`` give the instrument's text for each."""

    ask: str
    set: dict[str, str]
    reply: dict[str, tuple[str, ...]]


class Flag(Table, frozen=True, kw_only=True):
    """A latched trip: the answer to ``ask`` is a whole number; ``bit`` picks one of it, without it any but 0 counts."""

    ask: str
    words: str
    bit: int | None = None
    reply: str = "{}"


class Mode(Table, frozen=True, kw_only=True):
    """What regulates: ``reply`` maps the answer to a word of ours. With ``mask`` the answer is a whole number, of which
    these bits count (as text), and ``form`` is the form of the answer around it, as ``reply`` is elsewhere.
    """

    ask: str
    mask: int | None = None
    reply: dict[str, Literal["cv", "cc", "off", "driven", "unknown"]]
    form: str = "{}"


class Line(Table, frozen=True, kw_only=True):
    """How lines end and what else the port needs.

    ``gap_s`` is the silence that ends a reply without terminator, ``pace_s`` the pause before each message, both in s;
    ``echo``: it sends each message back. ``message_bytes`` is the longest message it takes, 0 = any. ``order_reply`` is
    what it answers each message that asks nothing with, empty when it answers questions only. ``boot_s`` is how long it
    is deaf after each opening of the line, in s, as devices are that restart by it.
    """

    terminator: str = "\n"
    gap_s: float | None = None
    echo: bool = False
    pace_s: float = 0.0
    message_bytes: int = 0
    order_reply: str = ""
    boot_s: float = 0.0


class Channels(Table, frozen=True, kw_only=True):
    """How a channel of an instrument that has several is named: not at all, by a selection that holds for what is
    sent after it, by a number within each header, or by a list behind it.

    ``set`` and ``ask`` select and tell what is selected, the number standing at the ``{}`` of ``reply``. ``joined``:
    the instrument takes a selection and what follows as one message, ``set;:MESSAGE``, as SCPI has it; then no other
    client can come between the two.
    """

    how: Literal["none", "select", "suffix", "list"] = "none"
    set: str = ""
    ask: str = ""
    reply: str = "{}"
    least: int = 1
    most: int = 1
    joined: bool = False


class Remote(Table, frozen=True, kw_only=True):
    """``set`` is sent after each opening, before anything else; ``local`` gives the front panel back. With ``ask`` the
    instrument's answer is part of the state that is watched.
    """

    set: str
    local: str = ""
    ask: str = ""
    reply_on: tuple[str, ...] = ("1", "ON", "REM", "REMOTE", "RWL")
    reply_off: tuple[str, ...] = ("0", "OFF", "LOC", "LOCAL")


class Protection(Table, frozen=True, kw_only=True):
    """How a trip is undone. ``latches``: it stays until it is cleared. ``clear`` is the text for that, or several,
    empty when only the front panel does it. ``restores_output``: clearing puts the output back as it was before the
    trip, which the drivers always reckon with.
    """

    latches: bool = True
    clear: str | tuple[str, ...] = ()
    restores_output: bool = False

    @property
    def clears(self) -> tuple[str, ...]:
        """The texts that clear, in their order."""
        return tuple(text for text in ((self.clear,) if isinstance(self.clear, str) else self.clear) if text)


class Watchdog(Table, frozen=True, kw_only=True):
    """An instrument's own watchdog of its line: it switches off when nothing was said to it for ``seconds``.

    ``armed`` switches it on and off; without that table 0 s is off. ``trip`` tells that it has expired, ``clear`` is
    the text, or several, that undoes that, empty when only the front panel does, or when there is nothing to undo.
    ``restores_output``: what was on before it expired comes on again as it is cleared; drivers say "off" first.
    """

    seconds: Setting
    armed: Switch | None = None
    trip: Flag | None = None
    clear: str | tuple[str, ...] = ()
    restores_output: bool = False

    @property
    def clears(self) -> tuple[str, ...]:
        """The texts that clear, in their order."""
        return tuple(text for text in ((self.clear,) if isinstance(self.clear, str) else self.clear) if text)

    @property
    def inner(self) -> tuple[tuple[str, Setting | Switch | Flag], ...]:
        """Its parts by name, as far as they are there."""
        named = (("seconds", self.seconds), ("armed", self.armed), ("trip", self.trip))
        return tuple((name, part) for name, part in named if part is not None)


Part = Reading | Setting | Switch | Input | Choice | Flag | Mode
"""What stands in a dialect for one capability; each has ``ask``."""
