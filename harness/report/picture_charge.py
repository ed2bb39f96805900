"""Volts over the charge that was moved: each discharge and each charge of a pack from its own beginning."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.digits import rounded
from harness.report.facts import RunFacts, Spell
from harness.report.look import CHARGE, VOLTS
from harness.report.plots import Curve, Level, Moment, Numbers, Panel, Picture, Thinned, broken

WORDS = {"sinking": "discharge", "sourcing": "charge"}
LEAST_SHARE = 0.05
"""A stretch that moved less than this share of the longest one is no curve worth looking at."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One stretch: how much charge has been moved since its beginning, Ah, and the volts then."""

    state: str
    charge_ah: Numbers
    volts: Numbers

    @property
    def total_ah(self) -> float:
        """All of it."""
        return float(self.charge_ah[-1])


def volts_over_charge(facts: RunFacts) -> Picture | None:
    """None for a UPS, for a ladder of short steps, and where next to nothing flowed."""
    if facts.samples is None or "steps" in facts.result.lists:
        return None
    moved = list(_moved(facts))
    if not moved:
        return None
    curves = tuple(
        Curve(x=one.charge_ah, y=one.volts, words=WORDS[one.state], pen=VOLTS if one.state == "sinking" else CHARGE)
        for one in moved
    )
    capacity, spread = facts.figure("capacity_ah")
    end_v = facts.condition("end_v")
    levels = [] if math.isnan(end_v) else [Level(y=end_v, words=f"end voltage {end_v:g} V")]
    moments = [] if math.isnan(spread) else [Moment(x=capacity, words=f"{rounded(capacity, spread)[0]} Ah")]
    most = max(one.total_ah for one in moved)
    between = [one.volts[(one.charge_ah > 0.3 * one.total_ah) & (one.charge_ah < 0.7 * one.total_ah)] for one in moved]
    return Picture(
        name="volts-over-charge",
        title="Volts over charge",
        words=f"Each stretch counted from its own beginning; the longest moved {most:.3g} Ah.{_flat(between)}",
        panels=(
            Panel(
                y_words="volts, V",
                x_words="charge moved, Ah",
                curves=curves,
                levels=tuple(levels),
                moments=tuple(moments),
            ),
        ),
        columns={
            "stretch": [WORDS[one.state] for one in moved for _ in one.charge_ah],
            "charge_ah": np.concatenate([one.charge_ah for one in moved]),
            "pack_volts": np.concatenate([one.volts for one in moved]),
        },
        height_in=2.35,
        note="" if math.isnan(spread) else "Volts in the middle say little about the charge that is left.",
    )


def _flat(between: list[Numbers]) -> str:
    spans = [float(np.nanmax(volts) - np.nanmin(volts)) for volts in between if np.isfinite(volts).any()]
    return f" From 30 to 70 % of the way the volts change by {min(spans):.2g} V." if spans else ""


def _moved(facts: RunFacts) -> Iterator[Moved]:
    found = [one for spell in facts.spells if spell.state in WORDS and (one := _of(facts, spell)) is not None]
    most = max((one.total_ah for one in found), default=0.0)
    return (one for one in found if one.total_ah > max(LEAST_SHARE * most, 0.0))


def _of(facts: RunFacts, spell: Spell) -> Moved | None:
    inside = slice(spell.first, spell.last + 1)
    charge, volts = np.abs(facts["charge_ah"][inside] - facts["charge_ah"][spell.first]), facts["pack_volts"][inside]
    good = np.isfinite(charge) & np.isfinite(volts)
    if good.sum() < 3:
        return None
    charge, volts, elapsed = charge[good], volts[good], facts["elapsed_s"][inside][good]
    rows = Thinned.of(volts).rows
    holes = [one for one in facts.gaps() if elapsed[0] <= one[0] and one[1] <= elapsed[-1]]
    _, charge, volts = broken(elapsed[rows], charge[rows], volts[rows], holes=holes)
    return Moved(spell.state, charge, volts)
