"""Program data: what may follow a header, read the way IEEE 488.2-1992 section 7 words it.

Numbers come in the flexible form NRf (``12``, ``12.5``, ``.5``, ``1.25e+01``) or non-decimal (``#HFF``, ``#Q377``,
``#B11``), with a unit behind them where the header has one, and its multiplier before the unit (``500 mV``).

Not modelled: expressions (refused with -178 or -170), unit products such as ``V/S``, and channel lists.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

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

LARGEST_EXPONENT = 32000
MOST_DIGITS = 255
LONGEST_SUFFIX = 12

_NUMBER = re.compile(r"([+-]?)(?=[0-9.])([0-9]*\.?[0-9]*)(?:\s*[eE]\s*([+-]?[0-9]+))?")
_PLAIN = re.compile(r"[+-]?(?:[0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})")
_NON_DECIMAL = re.compile(r"#(?:[hH]([0-9A-Fa-f]+)|[qQ]([0-7]+)|[bB]([01]+))")
_SUFFIX = re.compile(r"[/]?[A-Za-z][A-Za-z0-9./-]*")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Element:
    """One data element: ``kind`` is number, word, string, block or expression."""

    kind: str
    text: str
    value: float = 0.0
    suffix: str = ""


def split(text: str, separator: str) -> list[str]:
    """Cut at a separator, but not inside strings or brackets; raises Refusal -151 on a string left open.

    Definite blocks are cut out before (see talk.py), so a separator inside one never gets here.
    """
    if "'" not in text and '"' not in text and "(" not in text:
        return text.split(separator)
    parts: list[str] = []
    quote, depth, begin = "", 0, 0
    for at, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "'\"":
            quote = letter
        elif letter in "()":
            depth = max(0, depth + (1 if letter == "(" else -1))
        elif letter == separator and not depth:
            parts.append(text[begin:at])
            begin = at + 1
    if quote:
        raise Refusal(-151, "the string is not closed")
    parts.append(text[begin:])
    return parts


def element(text: str) -> Element:
    """Read one data element; raises Refusal with the standard's number for what is wrong with it."""
    if _PLAIN.fullmatch(text):
        return Element("number", text, float(text))
    first = text[:1]
    if not first:
        raise Refusal(-109)
    if first in "'\"":
        return _string(text)
    if first == "(":
        return Element("expression", text)
    if first == "#":
        return _hash(text)
    if first.isalpha():
        return _word(text)
    return _number(text)


def _string(text: str) -> Element:
    quote, inner = text[0], text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise Refusal(-151, text[:40])
    return Element("string", inner.replace(quote * 2, quote))


def _hash(text: str) -> Element:
    match = _NON_DECIMAL.fullmatch(text)
    if match is not None:
        digits, base = next((group, base) for group, base in zip(match.groups(), (16, 8, 2), strict=True) if group)
        if len(digits) > MOST_DIGITS:
            raise Refusal(-124)
        return Element("number", text, float(int(digits, base)))
    if text[1:2].isdigit():
        return Element("block", text)
    raise Refusal(-121, text[:40])


def _word(text: str) -> Element:
    match = _WORD.match(text)
    if match is None or match.end() != len(text):
        raise Refusal(-141 if " " not in text else -103, text[:40])
    if len(text) > 12:
        raise Refusal(-144, text[:40])
    return Element("word", text.upper())


def _number(text: str) -> Element:
    match = _NUMBER.match(text)
    if match is None or match.group(2) == ".":
        raise Refusal(-121 if text[:1] in "+-." else -101, text[:40])
    sign, mantissa, exponent = match.groups()
    if len(mantissa.replace(".", "").lstrip("0")) > MOST_DIGITS:
        raise Refusal(-124)
    if exponent and (len(exponent) > 9 or abs(int(exponent)) > LARGEST_EXPONENT):
        raise Refusal(-123)
    value = float(f"{sign}{mantissa}e{exponent or 0}")
    rest = text[match.end() :].strip()
    if rest and _SUFFIX.fullmatch(rest) is None:
        raise Refusal(-121 if rest[0] in "0123456789.+-" else -131, text[:40])
    if len(rest) > LONGEST_SUFFIX:
        raise Refusal(-134, rest[:40])
    return Element("number", text, value, rest.upper())


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


Data = Number | Boolean | Choice


def number_text(value: float, *, decimals: int) -> str:
    """A response in NR2 form; infinities and not-a-number as SCPI-1999 volume 1, 7.2.1 has them."""
    if math.isfinite(value):
        return f"{value:z.{decimals}f}"
    if math.isnan(value):
        return "9.91E37"
    return "9.9E37" if value > 0 else "-9.9E37"
