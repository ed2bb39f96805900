"""A ceiling seen at one temperature, at the coldest and the warmest of the place.

A charger for lead-acid may follow the temperature: higher volts in the cold, lower ones in the warmth. Whether this one
does, one run cannot tell. So what passes at the temperature of the run is looked at once more with the most that is
usual; what does not pass then depends on the charger, and nothing fails by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from procedures.fit_case import Case
from procedures.fit_doubt import Doubted
from procedures.fit_facts import Facts
from procedures.fit_lines import TEMP_C

MOST_V_CELL_K = 0.005
"""The most that a charger takes off its volts a kelvin, V per lead cell of 2 V (common practice: 3 to 5 mV; no
source)."""


@dataclass(frozen=True, slots=True)
class Away:
    """Volts (V, 0 or more) by which the ceiling may lie elsewhere at ``at_c`` (degC); ``seen``: where it was seen."""

    volts: float
    at_c: float
    seen: str

    @property
    def words(self) -> str:
        """How it comes about, in the middle of a sentence."""
        return f"at -{1000 * MOST_V_CELL_K:g} mV/K a lead cell from {self.seen} to {self.at_c:g} degC"

    @property
    def settles(self) -> str:
        """What tells what the charger does."""
        return f"the ceiling at a second temperature: a charge-ceiling run at {self.at_c:g} degC"


def colder(facts: Facts) -> Away | None:
    """How much higher it may lie at the coldest of the place; None when that is not known."""
    return _away(facts, facts.site.ambient_min_c, -1.0)


def warmer(facts: Facts) -> Away | None:
    """How much lower it may lie at the warmest of the place; None when that is not known."""
    return _away(facts, facts.site.ambient_max_c, 1.0)


def _away(facts: Facts, at_c: float | None, sign: float) -> Away | None:
    if at_c is None:
        return None
    seen_c = facts.ups_side.ceiling_temp_c
    seen = f"{seen_c:.0f}"
    if math.isnan(seen_c):
        # Nobody looked: any usual room, so the one furthest away.
        seen_c = TEMP_C[1] if sign < 0 else TEMP_C[0]
        seen = f"{seen_c:g} (not measured)"
    volts = MOST_V_CELL_K * facts.ups.cells_in_series * max(sign * (at_c - seen_c), 0.0)
    return Away(volts, at_c, seen)


def lowered(about: Doubted, volts: float) -> Doubted:
    """The case and all its doubts with a ceiling lower by ``volts`` (V)."""

    def down(case: Case) -> Case:
        return replace(case, ceiling_v=case.ceiling_v - volts)

    return Doubted(down(about.case), tuple((source, down(up), down(low)) for source, up, low in about.moved))
