"""Kinds of program data: what a header's data must be, and what comes of them.

Multipliers stand before a unit (``500 mV``). Error numbers are the standard's: IEEE 488.2-1992 for the form of data,
SCPI-1999 volume 1 for words such as MAXimum, booleans and channel lists.

Not modelled: expressions other than channel lists (refused with -178 or -171), unit products such as ``V/S``, offset
units (a temperature in K or FAR), channels of several dimensions or with names.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sims.elements import Element
from sims.headers import Refusal, short_form

MULTIPLIERS: Mapping[str, float] = {
    "": 1.0,
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
"""IEEE 488.2-1992 table 7-2. With OHM and HZ, M stands for mega."""

TIMES_S: Mapping[str, float] = {"MIN": 60.0, "HR": 3600.0}
"""Units of time beside the second (IEEE 488.2-1992 table 7-1, from memory); without multipliers."""

MOST_CHANNELS = 1000
"""Channels one list may name; more is error -223."""

_ENTRY = re.compile(r" *0*([0-9]{1,300}) *(?:: *0*([0-9]{1,300}) *)?")

_WRONG_KIND = {"number": -128, "word": -148, "string": -158, "block": -168, "expression": -178}


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a physical quantity, with its limits; MINimum, MAXimum and DEFault stand for them.

    ``step`` is the setting's resolution: what is kept is the nearest multiple, as the instrument's converter does.
    ``decimals`` is how many the answer has. Outside the limits is error -222.
    """

    low: float
    high: float
    default: float
    unit: str = ""
    step: float = 0.0
    decimals: int = 4
    words: Mapping[str, float] = field(default_factory=dict)

    def stand_in(self, word: str) -> float | None:
        """The value a word stands for, or None."""
        if word in ("MIN", "MINIMUM"):
            return self.low
        if word in ("MAX", "MAXIMUM"):
            return self.high
        if word in ("DEF", "DEFAULT"):
            return self.default
        return self.words.get(word)

    def read(self, given: Element) -> float:
        """The value in the quantity's own unit; raises Refusal."""
        if given.kind == "word":
            value = self.stand_in(given.text)
            if value is None:
                raise Refusal(-141, given.text)
            return value
        if given.kind != "number":
            raise Refusal(-104 if given.kind == "string" else _WRONG_KIND[given.kind], given.text[:40])
        value = given.value * (_factor(given.suffix, self.unit) if given.suffix else 1.0)
        # Half a step beyond the limit still rounds onto it, as a converter would; nan compares false and is refused.
        slack = 0.5 * self.step
        if not self.low - slack <= value <= self.high + slack:
            raise Refusal(-222, f"{given.text} outside {self.low:g} to {self.high:g} {self.unit}".rstrip())
        if self.step:
            value = round(value / self.step) * self.step
        return min(max(value, self.low), self.high)


def _factor(suffix: str, unit: str) -> float:
    if not unit:
        raise Refusal(-138, suffix)
    if unit.upper() == "S" and suffix in TIMES_S:
        return TIMES_S[suffix]
    if not suffix.endswith(unit.upper()):
        raise Refusal(-131, suffix)
    prefix = suffix[: -len(unit)]
    if prefix == "M" and unit.upper() in ("OHM", "HZ"):
        return 1e6
    try:
        return MULTIPLIERS[prefix]
    except KeyError:
        raise Refusal(-131, suffix) from None


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF or a number; a number that rounds to anything but 0 is ON (SCPI-1999 volume 1, 7.3 from memory)."""

    def read(self, given: Element) -> bool:
        """True for on; raises Refusal."""
        if given.kind == "word":
            if given.text in ("ON", "OFF"):
                return given.text == "ON"
            raise Refusal(-141, given.text)
        if given.kind != "number":
            raise Refusal(-104 if given.kind == "string" else _WRONG_KIND[given.kind], given.text[:40])
        if given.suffix:
            raise Refusal(-138, given.suffix)
        return math.isinf(given.value) or round(given.value) != 0


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several words, each accepted in its short and its long form; kept as the short one."""

    words: Sequence[str]

    def read(self, given: Element) -> str:
        """The short form in capitals; raises Refusal."""
        if given.kind != "word":
            raise Refusal(_WRONG_KIND[given.kind], given.text[:40])
        for word in self.words:
            if given.text in (word.upper(), short_form(word)):
                return short_form(word)
        raise Refusal(-141, given.text)


@dataclass(frozen=True, slots=True)
class Text:
    """A string in either quote."""

    def read(self, given: Element) -> str:
        """What stands between the quotes; raises Refusal."""
        if given.kind != "string":
            raise Refusal(_WRONG_KIND[given.kind], given.text[:40])
        return given.text


@dataclass(frozen=True, slots=True)
class Block:
    """An arbitrary block, definite or indefinite."""

    def read(self, given: Element) -> bytes:
        """Its bytes; raises Refusal."""
        if given.kind != "block":
            raise Refusal(_WRONG_KIND[given.kind], given.text[:40])
        return given.text.encode("latin-1")


@dataclass(frozen=True, slots=True)
class ChannelList:
    """Channels ``least`` to ``most`` as in ``(@1,3:5)``, in the order written; the last of a command's data.

    Left out where ``optional``, it means the first channel. Source: SCPI-1999 volume 1, 8.3.2 (from memory).
    """

    least: int = 1
    most: int = 1
    optional: bool = True

    def read(self, given: Element) -> tuple[int, ...]:
        """The channels; raises Refusal -171 for a list that does not read, -222 for a channel there is not."""
        if given.kind != "expression":
            raise Refusal(_WRONG_KIND[given.kind], given.text[:40])
        inner = given.text[1:-1].strip()
        if given.text[-1] != ")" or inner[:1] != "@":
            raise Refusal(-171, given.text[:40])
        channels: list[int] = []
        for entry in inner[1:].split(","):
            channels += self._entry(entry, given.text)
            if len(channels) > MOST_CHANNELS:
                raise Refusal(-223, f"more than {MOST_CHANNELS} channels")
        return tuple(channels)

    def _entry(self, entry: str, whole: str) -> range:
        match = _ENTRY.fullmatch(entry)
        if match is None:
            raise Refusal(-171, whole[:40])
        first = int(match.group(1))
        last = int(match.group(2) or first)
        for channel in (first, last):
            if not self.least <= channel <= self.most:
                raise Refusal(-222, f"channel {channel} of {self.least} to {self.most}")
        # Ranges go up or down, both ends included.
        step = 1 if last >= first else -1
        return range(first, last + step, step)


Data = Number | Boolean | Choice | Text | Block | ChannelList


def number_text(value: float, *, decimals: int) -> str:
    """A response in NR2 form; infinities and not-a-number as SCPI-1999 volume 1, 7.2.1 has them."""
    if math.isfinite(value):
        return f"{value:z.{decimals}f}"
    if math.isnan(value):
        return "9.91E37"
    return "9.9E37" if value > 0 else "-9.9E37"
