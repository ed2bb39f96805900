"""Manners: the habits, good and bad, of a simulated instrument, as switches; a table ``[manners.NAME]`` of a scenario.

Every default is harmless: an instrument without a table is the plain one. What the switches do stands in the files
that use them: the shape of a panel in ``sims/shapes_*.py``, the line in ``sims/line_manners.py``, the look of replies
in ``sims/reply_manners.py``, a serial line in ``sims/serial_line.py``.

Not modelled: (this file holds figures only).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

GRIDS = ("round", "truncate")
COMPOUNDS = ("joined", "first", "last", "lines", "refused")
STOPS = ("acts", "ignored", "resumes")
WATCHDOGS = ("acts", "ignored", "restores", "insists", "resumes")
ERROR_WORDS = ("standard", "plus", "bare", "unquoted", "prefixed")

TERMINATOR_CHARACTERS = "\r\n\0"
"""What a terminator may be made of."""

LONGEST_S = 3600.0
LONGEST_TEXT = 200
MOST_CHANNELS = 16
MOST_CLIENTS = 1000
MOST_BYTES = 16384
FASTEST_BAUD = 4_000_000


@dataclass(frozen=True, slots=True)
class Manners:
    """Habits of one instrument; times in s of bench time.

    Shape: ``shape`` names the panel ("" is the plain one); of ``channels`` the ``wired_channel`` hangs on the bench.
    Set-points fall on their grid by rounding or are cut (``grid``) and ramp to their value over ``settle_s``.
    ``restores_output``: clearing a latched protection puts the old output back; while tripped OUTP ON is accepted
    without an error and does nothing. The ``stop`` of its own (low volts of a load, over-volts of a supply) acts, or is
    accepted, read back and ``ignored``; with ``resumes`` a load's input comes on again once the volts are back. The
    ``watchdog`` of its line, in the shape of that name, acts or is ``ignored`` likewise; what was on before it expired
    comes on again as it is cleared (``restores``), even though off was said meanwhile (``insists``), or with the next
    message (``resumes``).

    Line: ``echo`` sends each message back ahead of its reply; a reply ``ends`` so and a message is heard when it ends
    with ``hears``; a message that begins within ``gap_s`` after the end of the one before is lost without a word. Of a
    message with several queries all answers are sent ``joined`` by semicolons, each on a line of its own (``lines``),
    only the ``first`` or the ``last``, or the message is ``refused``. With ``buffer_bytes`` a longer message is cut to
    so many and carried out. ``banner`` is sent at each opening of the port, ``defaults_at_open`` resets the instrument
    then. A line idle for ``idle_drop_s`` is hung up on; more than ``clients_max`` at a time are told "busy" and hung
    up on. ``second_line`` follows each reply. With ``remote_needed`` any line is answered ``remote_words``
    until SYSTem:REMote. A message without a question is answered with the line ``answers_orders``, whether it was
    obeyed or not. For ``deaf_s`` after an opening, as an instrument is that restarts by it, every byte is lost, and the
    banner comes after that. A reply comes ``reply_delay_s`` after its message. 0 and "" switch a habit off.

    Replies: a unit after each quantity, quotes around each answer, a comma for the decimal point, scientific notation,
    a plus sign; ``error_words`` says how the error queue words its entries; ``no_exponent`` refuses a number that has
    one.

    ``baud``: bit/s of a serial line (8 data bits, no parity, 1 stop bit), bytes are paced to it; 0 is unpaced.
    """

    shape: str = ""
    wired_channel: int = 2
    channels: int = 3
    grid: str = "round"
    settle_s: float = 0.0
    restores_output: bool = False
    stop: str = "acts"
    watchdog: str = "acts"
    echo: bool = False
    ends: str = "\n"
    hears: str = "\n"
    gap_s: float = 0.0
    compound: str = "joined"
    buffer_bytes: int = 0
    banner: str = ""
    defaults_at_open: bool = False
    idle_drop_s: float = 0.0
    clients_max: int = 0
    second_line: str = ""
    remote_needed: bool = False
    remote_words: str = "NOT IN REMOTE"
    answers_orders: str = ""
    deaf_s: float = 0.0
    reply_delay_s: float = 0.0
    unit_suffix: bool = False
    quoted: bool = False
    comma: bool = False
    nr3: bool = False
    plus_sign: bool = False
    error_words: str = "standard"
    no_exponent: bool = False
    baud: int = 0

    def __post_init__(self) -> None:
        self._check_kinds()
        _one_of("grid", self.grid, GRIDS)
        _one_of("stop", self.stop, STOPS)
        _one_of("watchdog", self.watchdog, WATCHDOGS)
        _one_of("compound", self.compound, COMPOUNDS)
        _one_of("error_words", self.error_words, ERROR_WORDS)
        for name in ("settle_s", "gap_s", "idle_drop_s", "deaf_s", "reply_delay_s"):
            _within(name, getattr(self, name), 0.0, LONGEST_S)
        _within("channels", self.channels, 1, MOST_CHANNELS)
        _within("wired_channel", self.wired_channel, 1, max(self.channels, 2))
        _within("buffer_bytes", self.buffer_bytes, 0, MOST_BYTES)
        _within("clients_max", self.clients_max, 0, MOST_CLIENTS)
        _within("baud", self.baud, 0, FASTEST_BAUD)
        for name in ("ends", "hears"):
            _terminator(name, getattr(self, name))
        if not self.hears:
            raise ValueError("hears = '': an instrument waits for some end of a message; a line feed is usual")
        for name in ("banner", "second_line", "remote_words", "answers_orders"):
            _line(name, getattr(self, name))
        if self.remote_needed and not self.remote_words:
            raise ValueError("remote_words = '': it says something until it is told to go remote")

    def _check_kinds(self) -> None:
        """TOML has kinds of its own: a whole number will do for one with a fraction, and nothing else for another."""
        for field in fields(self):
            value, wanted = getattr(self, field.name), type(field.default)
            if wanted is float and type(value) is int:
                continue
            if type(value) is not wanted:
                raise ValueError(f"{field.name} = {value!r}: {_KINDS[wanted]} is due")


_KINDS = {bool: "true or false", float: "a number", int: "a whole number", str: "a text"}


def manners_table(tables: Mapping[str, Mapping[str, Any]]) -> dict[str, Manners]:
    """The manners of a scenario's ``[manners]`` tables, by instrument. Raises ValueError with instrument and key."""
    return {name: read_manners(table, name=name) for name, table in tables.items()}


def read_manners(table: Mapping[str, Any], *, name: str) -> Manners:
    """Manners from one table. Raises ValueError with the key."""
    known = [field.name for field in fields(Manners)]
    for key in table:
        if key not in known:
            raise ValueError(f"manners.{name}: unknown key {key!r}; there are {', '.join(known)}")
    try:
        return Manners(**table)
    except ValueError as error:
        raise ValueError(f"manners.{name}.{error}") from None


def _one_of(name: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise ValueError(f"{name} = {value!r}: there are {', '.join(known)}")


def _within(name: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{name} = {value!r}: between {low:g} and {high:g} is due")


def _terminator(name: str, value: str) -> None:
    if value.strip(TERMINATOR_CHARACTERS) or len(value) > 8:
        raise ValueError(f"{name} = {value!r}: up to 8 of carriage return, line feed and NUL are due")


def _line(name: str, value: str) -> None:
    if not (len(value) <= LONGEST_TEXT and value.isascii() and (value.isprintable() or not value)):
        raise ValueError(f"{name} = {value!r}: one line of up to {LONGEST_TEXT} printable ASCII characters is due")
