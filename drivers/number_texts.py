"""Numbers as a dialect has them: the text of a value that is sent, the value of a text that came back.

What a reply's number may look like is told in ``drivers/scpi.py``; here is what a dialect says beyond that.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from functools import lru_cache

from drivers.dialect_parts import Flag, Input, Mode, Reading, Setting, Switch
from drivers.faults import NotANumber
from drivers.scpi import fixed, number

_WITH_UNIT = re.compile(rb".*[0-9.]\s*[A-Za-z]+\s*", re.DOTALL)


def sendable(setting: Setting, value: float, *, exponent: bool = False) -> tuple[str, float]:
    """The text that is sent for ``value`` (in the setting's unit), and the value this text means.

    A value between two steps of the instrument goes to the nearer one here, so that an instrument that cuts off what
    lies between two steps holds the same as one that rounds. Raises ``ValueError`` when it is not finite, beyond
    ``least`` or ``most``, or not 0 but would be sent as 0.
    """
    unit = f" {setting.unit}" if setting.unit else ""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent to an instrument; it takes finite numbers")
    # nan is refused above; a hair of slack, because limits come out of sums of decimal fractions.
    hair = 1e-9 * max(1.0, abs(value))
    if setting.least is not None and not value >= setting.least - hair:
        raise ValueError(f"{value:g}{unit} is below the least it takes, {setting.least:g}{unit}")
    if setting.most is not None and not value <= setting.most + hair:
        raise ValueError(f"{value:g}{unit} is above the most it takes, {setting.most:g}{unit}")
    on_grid = value if setting.step is None else round(value / setting.step) * setting.step
    try:
        text = fixed(on_grid * setting.per_unit, decimals=setting.decimals)
    except ValueError:
        text = "0"
    if value != 0.0 and float(text) == 0.0:
        raise ValueError(f"{value:g}{unit} would be sent as 0; the finest step is {setting.finest:g}{unit}")
    meant = float(text) / setting.per_unit
    if exponent if setting.exponent is None else setting.exponent:
        text = f"{Decimal(text):E}" if float(text) else "0.0E+0"
    return text, meant


def value_of(raw: bytes, part: Reading | Setting, *, decimal_comma: bool = False) -> float:
    """A reply as a value in the unit of ``part``. Raises ``NotANumber``."""
    # Counts have no unit of their own; a unit written behind them would be another than the dialect's.
    unit = part.unit if part.per_unit == 1.0 else ""
    try:
        return number(in_form(raw, part.reply), unit=unit, decimal_comma=decimal_comma) / part.per_unit
    except NotANumber as fault:
        if part.per_unit != 1.0 and _WITH_UNIT.fullmatch(raw):
            fault.do = 'counts carry no unit: with per_unit the unit it writes goes into reply, such as reply = "{}mV"'
        raise


def whole_of(raw: bytes, part: Flag | Mode | Switch | Input) -> int:
    """A reply as a register of bits. Raises ``NotANumber``."""
    value = number(in_form(raw, part.reply if isinstance(part, Flag) else part.form), unit="")
    # Beyond 2**53 the low bits of a number are rounded away, and with them what is on or off.
    most = 2.0**53 if isinstance(part, Switch | Input) else 2.0**63
    if not (0 <= value < most and value.is_integer()):
        raise NotANumber("is not a register of whole bits", received=raw, do="check its dialect")
    return int(value)


def in_form(raw: bytes, form: str) -> bytes:
    """What stands at the ``{}`` of the form. Raises ``NotANumber`` for a reply of another form."""
    if form == "{}":
        return raw
    match = _pattern(form).fullmatch(raw.strip())
    if match is None:
        raise NotANumber(f"has not the form {form}", received=raw, do="check reply in its dialect")
    return match[1]


@lru_cache(maxsize=256)
def _pattern(form: str) -> re.Pattern[bytes]:
    escaped = re.escape(form).replace(re.escape("{}"), "(.+?)").replace(re.escape("*"), ".*?")
    return re.compile(escaped.encode("ascii"), re.DOTALL | re.IGNORECASE)
