"""The look of replies: units, quotes, a comma, scientific notation, plus signs, wordings of the error queue.

``dress_for`` makes an engine's ``dress`` from manners. Numbers that carry no quantity (states, registers, counts) are
left alone, so that they stay readable to whoever compares them.

Not modelled: quotes or units in status replies, a reply that mixes two of these from one query to the next.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal

from sims.manners import Manners
from sims.message import Command
from sims.talk import Engine, as_it_is

UNIT_TEXTS = {"Cel": "C"}
"""What instruments write for a unit whose UCUM code is not customary on them."""

_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:E[+-]?\d+)?", re.IGNORECASE)
_ENTRY = re.compile(r'([+-]?\d+),"([^"]*)"')

LIST_SEPARATOR = ","
COMMA_LIST_SEPARATOR = ";"
"""Between numbers whose decimal point is a comma."""


def apply(engine: Engine, manners: Manners) -> None:
    """Give an engine the habits that show in what it reads and answers."""
    engine.dress = dress_for(manners)
    engine.join = manners.compound
    engine.buffer_bytes = manners.buffer_bytes
    engine.exponents = not manners.no_exponent


def dress_for(manners: Manners) -> Callable[[str, Command], str]:
    """What makes of an answer what is sent; the plain function when there is nothing to do."""
    numbers = any((manners.unit_suffix, manners.quoted, manners.comma, manners.nr3, manners.plus_sign))
    if not numbers and manners.error_words == "standard":
        return as_it_is

    def dress(answer: str, command: Command) -> str:
        if command.header.startswith("SYSTem:ERRor"):
            return error_text(answer, words=manners.error_words)
        if command.unit and numbers:
            return quantity_text(answer, unit=UNIT_TEXTS.get(command.unit, command.unit), manners=manners)
        return answer

    return dress


def quantity_text(answer: str, *, unit: str, manners: Manners) -> str:
    """An answer of one number, or of several with commas between; anything else stays as it is."""
    parts = answer.split(LIST_SEPARATOR)
    if not all(_NUMBER.fullmatch(part) for part in parts):
        return answer
    separator = COMMA_LIST_SEPARATOR if manners.comma else LIST_SEPARATOR
    return separator.join(_number_text(part, unit=unit, manners=manners) for part in parts)


def _number_text(text: str, *, unit: str, manners: Manners) -> str:
    if manners.nr3 and "E" not in text.upper():
        text = scientific(text)
    if manners.plus_sign and text[0] not in "+-":
        text = f"+{text}"
    if manners.comma:
        text = text.replace(".", ",")
    if manners.unit_suffix:
        text += unit
    return f'"{text}"' if manners.quoted else text


def scientific(text: str) -> str:
    """A decimal number as NR3 (IEEE 488.2 8.7.4) with the digits it has: 12.80 is 1.280E+01."""
    # Decimal would write 0.000 as 0E-3.
    mantissa, _, exponent = (f"{Decimal(text):E}" if Decimal(text) else f"{text}E0").partition("E")
    if "." not in mantissa:
        mantissa += ".0"
    return f"{mantissa}E{int(exponent):+03d}"


def error_text(answer: str, *, words: str) -> str:
    """Entries of the error queue in another wording.

    plus: ``+0,"No error"``; bare: ``0``; unquoted: ``0,No error``; prefixed: ``**ERROR: -113,"Undefined header"``.
    """

    def entry(match: re.Match[str]) -> str:
        number, text = match.group(1), match.group(2)
        match words:
            case "plus":
                return f'{int(number):+d},"{text}"'
            case "bare":
                return number
            case "unquoted":
                return f"{number},{text}"
            case "prefixed" if int(number):
                return f'**ERROR: {number},"{text}"'
        return match.group()

    return _ENTRY.sub(entry, answer)
