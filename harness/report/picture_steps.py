"""The steps of a c-rate run: how the volts go under each current, and how far they sag with it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.history import number
from harness.report.facts import RunFacts, Spell
from harness.report.look import AMPS, CHARGE, PENS, VOLTS, Pen
from harness.report.plots import Curve, Level, Numbers, Panel, Picture, Thinned
from harness.result import Entry, Figure

BEFORE_S = 3.0
"""Shown of the rest before each step."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its current in words, and volts over the seconds since it was switched on."""

    words: str
    since_s: Numbers
    volts: Numbers


def steps(facts: RunFacts) -> Picture | None:
    """Volts of every step over each other, from switch-on; None of a run without steps."""
    found = [] if facts.samples is None or facts.result.procedure != "c-rate" else list(_steps(facts))
    if not found:
        return None
    curves = tuple(
        Curve(x=one.since_s, y=one.volts, words=one.words, pen=PENS[at % len(PENS)]) for at, one in enumerate(found)
    )
    end_v = facts.condition("end_v")
    levels = [] if math.isnan(end_v) else [Level(y=end_v, words=f"end voltage {end_v:g} V")]
    lowest = min(float(np.nanmin(one.volts)) for one in found)
    return Picture(
        name="steps",
        title="Volts in each step",
        words=f"{len(found)} steps, each from rest and over each other; the lowest volts are {lowest:.2f} V.",
        panels=(Panel(y_words="volts, V", x_words="seconds since switch-on", curves=curves, levels=tuple(levels)),),
        columns={
            "step": [one.words for one in found for _ in one.since_s],
            "since_s": np.concatenate([one.since_s for one in found]),
            "pack_volts": np.concatenate([one.volts for one in found]),
        },
        height_in=2.5,
    )


def _steps(facts: RunFacts) -> Iterator[Step]:
    on_s = [number(event, "on_s") for event in facts.of("energised") if event.get("phase") == "sink"]
    entries = facts.result.lists.get("steps", ())
    elapsed, volts = facts["elapsed_s"], facts["pack_volts"]
    for at, spell in enumerate(one for one in facts.spells if one.state == "sinking"):
        began = on_s[at] if at < len(on_s) else float(elapsed[spell.first])
        rows = np.flatnonzero((elapsed >= began - BEFORE_S) & (elapsed <= elapsed[spell.last]))
        rows = rows[np.isfinite(volts[rows])]
        if len(rows) >= 2:
            rows = rows[Thinned.of(volts[rows], most=500).rows]
            words = f"{_amps(facts, spell, entries[at] if at < len(entries) else {}):.3g} A"
            yield Step(words, elapsed[rows] - began, volts[rows])


def _amps(facts: RunFacts, spell: Spell, entry: Entry) -> float:
    """As the list has it, else as the samples do."""
    value, spread = _figure(entry, "amps")
    return (
        value if not math.isnan(value + spread) else float(np.nanmean(facts["pack_amps"][spell.first : spell.last + 1]))
    )


def sag(facts: RunFacts) -> Picture | None:
    """Least volts and resistance of every step over its current; None where no list of steps is there."""
    entries = facts.result.lists.get("steps", ())
    amps = np.array([_figure(one, "amps")[0] for one in entries])
    if not np.isfinite(amps).any():
        return None
    columns = {name: np.array([_figure(one, name) for one in entries]) for name in ("min_v", "r_1s_ohm", "r_10s_ohm")}

    def curve(name: str, words: str, pen: Pen, factor: float = 1.0) -> Curve:
        value, spread = columns[name].T * factor
        return Curve(x=amps, y=value, spread=spread, words=words, pen=pen, kind="points")

    rest_v = facts.condition("rest_v")
    levels = [] if math.isnan(rest_v) else [Level(y=rest_v, words=f"rested {rest_v:.2f} V")]
    return Picture(
        name="sag",
        title="Sag and resistance over current",
        words=_words(entries),
        panels=(
            Panel(
                y_words="least volts of the step, V",
                x_words="amps, A",
                curves=(curve("min_v", "volts", VOLTS),),
                levels=tuple(levels),
            ),
            Panel(
                y_words="resistance, mΩ",
                x_words="amps, A",
                curves=(curve("r_1s_ohm", "at 1 s", AMPS, 1000.0), curve("r_10s_ohm", "at 10 s", CHARGE, 1000.0)),
                from_zero=True,
            ),
        ),
        columns={
            "amps": amps,
            **{f"{name}{end}": columns[name][:, at] for name in columns for at, end in ((0, ""), (1, "_plus_minus"))},
        },
        height_in=3.5,
        note="Bars are the interval of each value.",
    )


def _words(entries: tuple[Entry, ...]) -> str:
    ends = [f"{_figure(one, 'amps')[0]:.3g} A {one['step_end']}" for one in entries if "step_end" in one]
    return f"{'; '.join(ends)}." if ends else "Each step by its mean current."


def _figure(entry: Entry, name: str) -> tuple[float, float]:
    """Value and half width of a member, nan where it is none."""
    found = entry.get(name)
    if not isinstance(found, Figure):
        return math.nan, math.nan
    return float(found.value), math.nan if found.expanded_uncertainty is None else found.expanded_uncertainty
