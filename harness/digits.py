"""Figures as text: no more digits than their uncertainty supports.

JCGM 100:2008 (the GUM) 7.2.6: an uncertainty is given with at most two significant digits, and the value to the same
decimal place. Units are UCUM codes in files; people read the usual symbols.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal

SYMBOLS = {"1": "", "A.h": "Ah", "W.h": "Wh", "mA.h": "mAh", "Cel": "degC", "Ohm": "ohm", "mOhm": "mohm"}
"""What people read for a UCUM code; every other code is read as it stands."""


# Digits enough for any two floats: the default context refuses a large value with a tiny uncertainty.
_EXACT = Context(prec=1000, rounding=ROUND_HALF_EVEN)


def symbol(unit: str) -> str:
    """The usual symbol for a UCUM code, in ASCII."""
    return SYMBOLS.get(unit, unit)


def rounded(value: float, uncertainty: float) -> tuple[str, str]:
    """Value and uncertainty to the place of the uncertainty's second significant digit.

    ``rounded(9.87312, 0.05186)`` is ``("9.873", "0.052")``. An uncertainty of 0 gives the value in full.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty)):
        raise ValueError(f"cannot round {value} +/- {uncertainty}: not finite")
    spread = Decimal(repr(float(uncertainty)))
    if spread == 0:
        return repr(float(value)), "0"
    place = Decimal(1).scaleb(spread.adjusted() - 1)
    short = spread.quantize(place, context=_EXACT)
    if short.adjusted() > spread.adjusted():  # 0.0996 became 0.100: one digit too many
        place = place.scaleb(1)
        short = spread.quantize(place, context=_EXACT)
    return f"{Decimal(repr(float(value))).quantize(place, context=_EXACT):f}", f"{short:f}"


def duration(seconds: float) -> str:
    """``27:46:40`` for 100,000 s: hours, minutes, seconds, rounded to the second."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
