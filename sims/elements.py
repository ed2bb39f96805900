"""Data elements of a program message, read the way IEEE 488.2-1992 section 7 words it.

Numbers come in the flexible form NRf (``12``, ``12.5``, ``.5``, ``1.25e+01``) or non-decimal (``#HFF``, ``#Q377``,
``#B11``), with a unit behind them where the header has one. Beside them: words, strings in either quote with that quote
doubled inside, blocks, expressions in brackets.

Not modelled: control characters inside strings (they read as spaces); brackets and quotes inside one another.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from sims import blocks
from sims.headers import Refusal

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
    """One data element: ``kind`` is number, word, string, block or expression.

    ``text`` is as written, but of a string and of a block what they hold, a block's bytes a character (latin-1) each.
    """

    kind: str
    text: str
    value: float = 0.0
    suffix: str = ""


def split(text: str, separator: str) -> list[str]:
    """Cut at a separator, but not inside strings or brackets; one left open takes the rest.

    A separator inside a block never gets here, see ``blocks``.
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
    if first == blocks.CUT_OFF:
        raise Refusal(-161, f"only {len(text) - 1} bytes of the block came")
    if first == blocks.WHOLE:
        return _block(text)
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
        raise Refusal(-161, text[:40])
    raise Refusal(-121, text[:40])


def _block(text: str) -> Element:
    inner = blocks.payload(text[1:])
    if inner is None:
        raise Refusal(-103, text[:40])
    return Element("block", inner)


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
