"""The charger of a UPS: the current it drives into what stands in for its battery, over the volts there."""

from __future__ import annotations

import math

import numpy as np

from harness.report.facts import RunFacts
from harness.report.look import AMPS, FAINT
from harness.report.plots import Curve, Moment, Panel, Picture, Thinned

LEAST_SHARE = 0.5
"""Of the highest volts seen: under it the node is on its way up, and the charger has not begun."""


def charger_curve(facts: RunFacts) -> Picture | None:
    """None where no load took the place of a battery."""
    if facts.samples is None or not any(spell.state == "tracing" for spell in facts.spells):
        return None
    volts, amps = facts["pack_volts"], -facts["pack_amps"]
    tracing = np.zeros(len(volts), dtype=bool)
    for spell in facts.spells:
        tracing[spell.first : spell.last + 1] |= spell.state == "tracing"
    good = np.flatnonzero(tracing & np.isfinite(volts) & np.isfinite(amps))
    good = good[volts[good] > LEAST_SHARE * volts[good].max()] if len(good) else good
    if len(good) < 3:
        return None
    kept = good[Thinned.of(volts[good], amps[good]).rows]
    dots = Curve(x=volts[kept], y=amps[kept], pen=FAINT, kind="points")
    line, words = _line(facts)
    return Picture(
        name="charger-curve",
        title="Charger of the UPS",
        words=words,
        panels=(
            Panel(
                y_words="charging current, A",
                x_words="volts at the UPS, V",
                curves=(dots, *line),
                moments=tuple(_ceiling(facts)),
                from_zero=True,
            ),
        ),
        columns={
            "drawn": [*["sample"] * len(kept), *["line" for one in line for _ in one.x]],
            "pack_volts": np.concatenate([volts[kept], *(one.x for one in line)]),
            "charge_amps": np.concatenate([amps[kept], *(one.y for one in line)]),
        },
        height_in=2.35,
        note="Dots are samples, those between two levels among them.",
    )


def _line(facts: RunFacts) -> tuple[tuple[Curve, ...], str]:
    """The charger as its figures have it: constant current up to the knee, then a straight line to the ceiling."""
    amps, _ = facts.figure("charge_a")
    knee, _ = facts.figure("knee_v")
    ceiling, spread = facts.figure("ceiling_v")
    start_v = facts.condition("start_v")
    if math.isnan(ceiling):
        return (), "No ceiling was found; what was seen of its current is shown."
    told = f"At no current it would hold {ceiling:.2f} ± {spread:.2f} V."
    if math.isnan(amps) or math.isnan(knee):
        return (), told
    begin = knee - 1.0 if math.isnan(start_v) else start_v
    x, y = np.array([begin, knee, ceiling]), np.array([amps, amps, 0.0])
    fitted = Curve(x=x, y=y, words="as found", pen=AMPS)
    return (fitted,), f"It gives {amps:.2f} A up to {knee:.2f} V. {told}"


def _ceiling(facts: RunFacts) -> list[Moment]:
    ceiling, _ = facts.figure("ceiling_v")
    return [] if math.isnan(ceiling) else [Moment(x=ceiling, words=f"ceiling {ceiling:.2f} V", after=True)]
