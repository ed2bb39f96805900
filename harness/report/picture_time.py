"""Volts, amps and temperature over time: what was on when, where nobody looked, and what ended it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from harness.digits import duration
from harness.report.facts import RunFacts, seconds
from harness.report.look import AMPS, TEMP, VOLTS, Pen
from harness.report.plots import Curve, Level, Moment, Numbers, Panel, Picture, Stretch, Thinned, broken
from harness.result import Limit

ENDS = {"trip": "tripped", "stop": "stopped", "program error": "program error", "unsafe": "off not confirmed"}
"""Kind of an event that ended a run -> the words at its line."""

STATES = {"sinking": "discharge", "sourcing": "charge", "resting": "rest"}

_LEVELS = ("discharge cut-off", "low volts", "charge target", "high volts", "lowest level", "highest level")
_ALIKE_V = 1e-6


def over_time(facts: RunFacts) -> Picture | None:
    """The whole run; thinned where it is long, so that no peak is lost."""
    if facts.samples is None or facts.samples.rows < 2:
        return None
    names = ("pack_volts", "pack_amps", "pack_temp_c")
    rows = Thinned.of(*(facts[name] for name in names)).rows
    elapsed, (volts, amps, temp) = facts["elapsed_s"][rows], (facts[name][rows] for name in names)
    unit_s, word = facts.hours
    subject = "the UPS's battery terminals" if _on_a_ups(facts) else "the pack's terminals"

    holes = list(facts.gaps())

    def curve(values: Numbers, words: str, pen: Pen, width: float) -> Curve:
        x, y = broken(elapsed, values, holes=holes)
        return Curve(x=x / unit_s, y=y, words=words, pen=replace(pen, dash=(), width=width))

    stretches, moments = tuple(_stretches(facts, unit_s)), tuple(_moments(facts, unit_s))
    # The words stand above the uppermost panel; the others only show where.
    dumb = tuple(replace(one, words="") for one in stretches)
    below = tuple(replace(one, words="") for one in moments)
    panels = [
        Panel(y_words="volts, V", curves=(curve(volts, "volts", VOLTS, 1.2),), levels=_levels(facts),
              stretches=stretches, moments=moments),
        Panel(y_words=f"amps, A; above 0 {_out(facts)}", curves=(curve(amps, "amps", AMPS, 1.0),), stretches=dumb,
              moments=below),
    ]  # fmt: skip
    if np.isfinite(temp).any():
        warm = curve(temp, "pack" if not _on_a_ups(facts) else "probe", TEMP, 0.8)
        panels.append(Panel(y_words="temperature, °C", curves=(warm,), stretches=dumb, moments=below))
    panels[-1] = replace(panels[-1], x_words=word)
    return Picture(
        name="over-time",
        title="Volts, amps and temperature",
        words=f"{facts.samples.rows} samples in {duration(float(facts['elapsed_s'][-1]))} (h:mm:ss) at {subject}.",
        note=_note(len(rows) < facts.samples.rows, any(facts.gaps())),
        panels=tuple(panels),
        columns={"elapsed_s": elapsed, "pack_volts": volts, "pack_amps": amps, "pack_temp_c": temp},
        height_in=0.75 + 1.12 * len(panels),
    )


def _on_a_ups(facts: RunFacts) -> bool:
    return any(spell.state in ("standing in", "tracing") for spell in facts.spells)


def _out(facts: RunFacts) -> str:
    return "into the UPS" if _on_a_ups(facts) else "out of the pack"


def _note(thinned: bool, gaps: bool) -> str:
    said = ["Drawn are the least and the greatest of each slice of time; every sample is in samples.csv."] * thinned
    return " ".join([*said, *["Crossed: no samples."] * gaps])


def _stretches(facts: RunFacts, unit_s: float) -> Iterator[Stretch]:
    elapsed = facts["elapsed_s"]
    for spell in facts.spells:
        if spell.state != "resting":
            words = STATES.get(spell.state, spell.state)
            yield Stretch(begin=elapsed[spell.first] / unit_s, end=elapsed[spell.last] / unit_s, words=words)
    for begin, end in facts.gaps():
        yield Stretch(begin=begin / unit_s, end=end / unit_s, hatched=True)


def _moments(facts: RunFacts, unit_s: float) -> Iterator[Moment]:
    for kind, words in ENDS.items():
        for event in list(facts.of(kind))[:1]:
            yield Moment(x=seconds(event) / unit_s, words=words)


def _levels(facts: RunFacts) -> tuple[Level, ...]:
    """Limits in volts; of two that are the same the one that a person planned."""
    made: list[Level] = []
    limits: tuple[Limit, ...] = facts.result.bench.limits if facts.result.bench else ()
    by_name = {one.what: one.value for one in limits if one.unit == "V" and one.value is not None}
    for name in _LEVELS:
        volts = by_name.get(name)
        if volts is not None and all(abs(volts - one.y) > _ALIKE_V for one in made):
            made.append(Level(y=volts, words=f"{name} {volts:g} V"))
    return tuple(made)
