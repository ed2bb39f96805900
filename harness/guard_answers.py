"""What an instrument's answer means to the guard: off or not, and which current. Standard library only; imports nothing
of this project. An answer that is not understood is never taken for "off".
"""

from __future__ import annotations

import math
import re
from typing import Any

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", re.ASCII)
_AMPS = {"": 1.0, "A": 1.0, "MA": 1e-3, "UA": 1e-6, "KA": 1e3}


def last_line(held: bytes, terminator: bytes, *, echo: bytes = b"", silent: bool = False) -> bytes | None:
    """The last whole line that says something and is not the echo of what was sent; ``None`` when there is none yet.
    Without a terminator all that came is one line. ``silent``: what came last is whole, since no more came."""
    lines = held.split(terminator)[: None if silent else -1] if terminator else [held]
    said = [line.replace(b"\0", b"").strip() for line in lines]
    return next((line for line in reversed(said) if line and line != echo.strip()), None)


def inner(reply: str, form: str) -> str | None:
    """What stands at the one group of ``form``, a pattern of the whole answer; ``None`` when the answer is another."""
    found = re.fullmatch(form, reply.strip(), re.DOTALL | re.IGNORECASE)
    return None if found is None else found[1]


def word(text: str) -> str:
    """A word as answers are compared: capitals, no quotes around it, whole numbers in their shortest form."""
    plain = text.strip().strip('"').strip().upper()
    digits = plain.lstrip("+-")
    if digits.isascii() and digits.isdecimal() and len(plain) - len(digits) <= 1 and len(digits) <= 18:
        return str(int(plain))
    return plain


def number(text: str, *, comma: bool = False, units: dict[str, float] = _AMPS) -> float:
    """A number with or without its unit; nan for everything else."""
    plain = text.strip().upper()
    found = _NUMBER.fullmatch(plain.replace(",", ".", 1) if comma else plain)
    if found is None or found[2] not in units:
        return math.nan
    value = float(found[1]) * units[found[2]]
    return value if math.isfinite(value) else math.nan


def says_off(reply: str, told: dict[str, Any]) -> bool | None:
    """Whether the answer means off: one of its words, or a bit that is 0; ``None`` when it means nothing."""
    if told.get("bit") is None:
        said = word(reply)
        return True if said in told["off_replies"] else False if said in told["on_replies"] else None
    found = inner(reply, told["form"])
    value = math.nan if found is None else number(found, units={"": 1.0})
    if not (0 <= value < 2.0**53 and value.is_integer()):
        return None
    return not int(value) >> told["bit"] & 1


def amps_said(reply: str, told: dict[str, Any]) -> float:
    """The current an answer tells, A; nan when it tells none."""
    found = inner(reply, told["form"])
    per_unit = told["per_unit"]
    units = _AMPS if per_unit == 1.0 else {"": 1.0}
    return math.nan if found is None else number(found, comma=told["comma"], units=units) / per_unit


def is_zero(amps: list[float], limit: float) -> bool:
    """Written so that a current that cannot be read is not zero; none at all is not either."""
    return bool(amps) and all(abs(one) <= limit for one in amps)
