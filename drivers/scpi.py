"""Texts of IEEE 488.2 and SCPI-1999: numbers, error entries, identities. No input or output happens here.

Sources: number forms and suffix multipliers IEEE 488.2-1992 7.7.2, 7.7.3, 8.7.2 to 8.7.4 and table 7-2; stand-ins for
infinity and not-a-number SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5; error queue SCPI-1999 volume 1, 21.8.
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from drivers.faults import NotANumber, Unreadable

_NRF = rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?"
_NUMBER = re.compile(rb"\s*(\"?)\s*(" + _NRF + rb")\s*([^\s0-9\"].*?)?\s*\1\s*")
_COMMA = re.compile(rb"([0-9]),([0-9])")
_ENTRY = re.compile(r"(?:\*\*\s*ERROR:\s*)?([+-]?[0-9]{1,6})\s*(?:,\s*(.*))?", re.DOTALL | re.IGNORECASE)

_UNITS = {"V": ("V", "VDC"), "A": ("A", "ADC"), "Ohm": ("OHM", "OHMS"), "W": ("W",), "s": ("S", "SEC"), "Cel": ("CEL",)}
"""Spellings met for each unit, in capitals: 488.2 suffixes do not care about case; VDC and ADC are common practice."""

_EXPONENTS = {"": 0, "M": -3, "U": -6, "\xb5": -6, "N": -9, "P": -12, "K": 3, "MA": 6, "G": 9}
"""Multipliers of IEEE 488.2 table 7-2, and the micro sign of Latin-1. ``M`` is milli, mega is ``MA``."""

_CELSIUS = {b"C", b"DEGC", b"CEL", b"\xb0C", b"\xc2\xb0C", b"\xa1\xe6", b"\xe2\x84\x83"}
"""Ways to write degree Celsius: the degree sign in Latin-1 and UTF-8, and the one-character sign in GBK and UTF-8."""


def _suffixes() -> dict[str, dict[bytes, int]]:
    table: dict[str, dict[bytes, int]] = {"": {}}
    for unit, spellings in _UNITS.items():
        row = {
            (prefix + spelling).encode("latin-1"): exponent
            for spelling in spellings
            for prefix, exponent in _EXPONENTS.items()
        }
        table[unit] = row
    # With ohms, and only there, M is mega (same table). A prefixed MA would read as milliampere first.
    table["Ohm"].update({b"MOHM": 6, b"MOHMS": 6})
    table["A"].update({b"MA": -3})
    table["Cel"] = dict.fromkeys(_CELSIUS, 0)
    return table


_SUFFIXES = _suffixes()


class InstrumentError(NamedTuple):
    """One entry of an instrument's error queue."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


class Identity(NamedTuple):
    """The four fields of the answer to ``*IDN?`` (IEEE 488.2 10.14); one that was not given is empty."""

    maker: str
    model: str
    serial: str
    firmware: str


def number(raw: bytes, *, unit: str, decimal_comma: bool = False) -> float:
    """A reply as a number in ``unit``: "V", "A", "Ohm", "W", "s", "Cel" (degree Celsius) or "" for a bare number.

    A suffix may be missing; when there it must be the unit asked for, with or without multiplier. The stand-ins
    9.91E37 and +-9.9E37 become nan and +-inf. Raises ``NotANumber`` for everything else, with the raw bytes kept.
    """
    text = _COMMA.sub(rb"\1.\2", raw, count=1) if decimal_comma else raw
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise NotANumber("is not a number", received=raw, do=_hint(raw))
    value = float(match[2])
    suffix = match[3]
    if suffix is not None:
        exponent = _SUFFIXES[unit].get(suffix.upper())
        if exponent is None:
            wanted = unit or "no unit"
            raise NotANumber(f"{suffix!r} is not the unit asked for ({wanted})", received=raw, do=_hint(raw))
        # Dividing by a power of ten rounds once; multiplying by 0.001 rounds twice.
        value = value / 10.0**-exponent if exponent < 0 else value * 10.0**exponent
    if -9e36 < value < 9e36:
        return value + 0.0  # minus zero is zero
    return _stand_in(value, raw)


def _stand_in(value: float, raw: bytes) -> float:
    # Instruments that count in single precision print these with a few wrong digits at the end.
    if math.isclose(value, 9.91e37, rel_tol=1e-6):
        return math.nan
    if math.isclose(abs(value), 9.9e37, rel_tol=1e-6):
        return math.copysign(math.inf, value)
    raise NotANumber("is too large for a reading", received=raw, do="check range and dialect")


def _hint(raw: bytes) -> str:
    if _COMMA.search(raw):
        return "if it writes decimals with a comma, set decimal_comma = true in its dialect"
    return "check range, wiring and dialect" if raw else "the reply is empty; check its dialect"


def fixed(value: float, *, decimals: int) -> str:
    """A number for an instrument: fixed point, never an exponent, since some instruments take none.

    Raises ``ValueError`` when it is not finite, or not 0 but would be sent as 0.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent to an instrument; it takes finite numbers")
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        if value != 0.0:
            raise ValueError(f"{value:g} would be sent as {text}; the finest step is {10.0**-decimals:g}")
        return text.lstrip("-")
    return text


def instrument_error(raw: bytes) -> InstrumentError | None:
    """One answer to ``SYST:ERR?``; ``None`` for "no error". Raises ``Unreadable`` when it is neither."""
    text = raw.replace(b"\0", b"").decode("ascii", "backslashreplace").strip()
    match = _ENTRY.fullmatch(text)
    if match is None:
        why = "is no entry of an error queue" if text else "is empty, which does not mean 'no error'"
        raise Unreadable(why, received=raw, do="check errors_ask in its dialect")
    code = int(match[1])
    if code == 0:
        return None
    words = (match[2] or "").strip()
    if len(words) >= 2 and words[0] == words[-1] and words[0] in "\"'":
        words = words[1:-1].replace(words[0] * 2, words[0])
    return InstrumentError(code, words)


def identity(raw: bytes) -> Identity:
    """The answer to ``*IDN?``. Raises ``Unreadable`` when it is empty or a number, which no identity is."""
    text = raw.decode("ascii", "backslashreplace").strip()
    reading = _NUMBER.fullmatch(raw)
    if not text or (reading is not None and b"," not in (reading[3] or b"")):
        raise Unreadable("is not an identity", sent="*IDN?", received=raw, do="check address and instrument")
    fields = [field.strip() for field in text.split(",", 3)]
    fields += [""] * (4 - len(fields))
    return Identity(*fields)
