"""Keys of conditions and plans as people read them, and values with their units."""

from __future__ import annotations

import re

from harness.entries import plain_words
from harness.result import Condition, Plain
from harness.titles import TITLES

UNITS = {
    "v": ("volts", "V"),
    "a": ("amps", "A"),
    "amps": ("amps", "A"),
    "volts": ("volts", "V"),
    "s": ("time", "s"),
    "c": ("", "Cel"),
    "ah": ("charge", "A.h"),
    "w": ("power", "W"),
    "it": ("", "It"),
}
"""Ending of a key -> the word it stands for, and the UCUM code of its unit."""

_WORDS = {"temp": "temperature", "ac": "AC", "ups": "UPS", "bms": "BMS"}


def spoken(key: str) -> str:
    """``rest_after_s`` as ``rest after, time``: a figure's own title where it has one."""
    if key in TITLES:
        return TITLES[key]
    parts = key.split("_")
    ending = UNITS[parts[-1]][0] if len(parts) > 1 and parts[-1] in UNITS else None
    words = " ".join(_WORDS.get(part, part) for part in (parts if ending is None else parts[:-1]))
    return f"{words}, {ending}" if ending else words


def condition_words(condition: Condition) -> str:
    """Value and unit."""
    return plain_words(condition.value, condition.unit)


def asked_words(key: str, value: Plain) -> str:
    """A key of the plan, whose unit is in its name; an open one was not asked."""
    if value is None:
        return "not asked"
    ending = re.sub(r"_(?:max|min|most)$", "", key).rpartition("_")[2]
    return plain_words(value, UNITS[ending][1] if ending in UNITS and not isinstance(value, str | bool) else "")
