"""Volts of a UPS's battery side to earth, which only a person with a meter can tell: refused where a hazard."""

from __future__ import annotations

import math

PROMPT = "Measured with the UPS on mains, each pole to earth: highest V AC and V DC: "

AC_MOST_V, DC_MOST_V = 30.0, 60.0
"""Above these, rms and DC, volts are a hazard to touch (IEC 61010-1, from memory)."""


def why_not(typed: str | None) -> str:
    """Why a UPS with these volts to earth is not worked on, "" when it may be. Nothing typed is no answer."""
    words = (typed or "").replace(",", " ").split()
    try:
        ac_v, dc_v = (abs(float(word)) for word in words)
    except ValueError:
        return f"{typed or 'nothing'} typed, two numbers needed: V AC, then V DC"
    if math.isfinite(ac_v) and math.isfinite(dc_v) and ac_v <= AC_MOST_V and dc_v <= DC_MOST_V:
        return ""
    return (
        f"{ac_v:g} V AC and {dc_v:g} V DC to earth, at most {AC_MOST_V:g} V AC and {DC_MOST_V:g} V DC: this UPS is not "
        "isolated, stop; it is for a licensed person"
    )
