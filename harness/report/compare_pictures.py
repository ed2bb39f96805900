"""The plots of a comparison: what changed by how much, and the discharges over each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from harness.compare import Compared, Comparison, percent_words
from harness.compare_words import title_of
from harness.report.look import PENS
from harness.report.page import nice
from harness.report.plots import Curve, Numbers, Panel, Picture, Thinned
from harness.report.several_words import OneRun

MOST_BARS = 14


def compare_pictures(made: Comparison, runs: Sequence[OneRun]) -> Iterator[Picture]:
    """All there are."""
    for number, one in enumerate(made.pairs, 2):
        picture = _changes(one, number)
        if picture is not None:
            yield picture
    picture = _discharges(runs)
    if picture is not None:
        yield picture


def _changes(one: Compared, number: int) -> Picture | None:
    shown = [(change, change.ratio) for change in one.changes if change.ratio is not None][:MOST_BARS]
    if not shown:
        return None
    value = np.array([float(ratio.value) - 1.0 for _, ratio in shown])
    spread = np.array([ratio.expanded_uncertainty or 0.0 for _, ratio in shown])
    names = [title_of(change) for change, _ in shown]
    curve = Curve(
        kind="margins",
        x=value,
        y=np.arange(float(len(shown))),
        spread=spread,
        names=tuple(f"{name}: to {nice(percent_words(ratio))}" for name, (_, ratio) in zip(names, shown, strict=True)),
    )
    return Picture(
        name=f"change-run-{number}",
        title=f"Change from run 1 to run {number}",
        words="As a share of the earlier value; a whisker that crosses 0 tells no change.",
        panels=(Panel(y_words="", x_words="change, %", curves=(curve,)),),
        columns={
            "figure": names,
            "ratio": value + 1.0,
            "ratio_plus_minus": spread,
            "earlier": [float(change.earlier.value) for change, _ in shown],
            "later": [float(change.later.value) for change, _ in shown],
            "unit": [change.later.unit for change, _ in shown],
        },
        height_in=0.62 + 0.36 * len(shown),
    )


def _discharges(runs: Sequence[OneRun]) -> Picture | None:
    found = [(run, curve) for run in runs if (curve := _longest(run)) is not None]
    if len(found) < 2:
        return None
    curves = tuple(
        Curve(x=charge, y=volts, words=run.short, pen=PENS[at % len(PENS)])
        for at, (run, (charge, volts)) in enumerate(found)
    )
    return Picture(
        name="discharges",
        title="Discharges over each other",
        words="; ".join(f"{run.short}: {charge[-1]:.4g} Ah" for run, (charge, _) in found) + ".",
        panels=(Panel(y_words="volts, V", x_words="charge given, Ah", curves=curves),),
        columns={
            "run": [run.name for run, (charge, _) in found for _ in charge],
            "charge_ah": np.concatenate([charge for _, (charge, _) in found]),
            "pack_volts": np.concatenate([volts for _, (_, volts) in found]),
        },
        height_in=2.6,
    )


def _longest(run: OneRun) -> tuple[Numbers, Numbers] | None:
    """Charge and volts of the one discharge of a capacity run."""
    facts = run.facts
    if facts.samples is None or facts.result.procedure != "capacity":
        return None
    spells = [spell for spell in facts.spells if spell.state == "sinking"]
    if not spells:
        return None
    spell = max(spells, key=lambda one: one.last - one.first)
    inside = slice(spell.first, spell.last + 1)
    charge, volts = facts["charge_ah"][inside] - facts["charge_ah"][spell.first], facts["pack_volts"][inside]
    good = np.isfinite(charge) & np.isfinite(volts)
    if good.sum() < 3:
        return None
    charge, volts = np.abs(charge[good]), volts[good]
    rows = Thinned.of(volts).rows
    return charge[rows], volts[rows]
