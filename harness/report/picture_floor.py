"""The staircase down to a UPS's floor: volts as set and as measured, what it drew, warning and cut-off."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.entries import figure_words
from harness.history import number
from harness.report.facts import RunFacts, seconds
from harness.report.look import AMPS, LIMIT, VOLTS
from harness.report.plots import Curve, Level, Moment, Numbers, Panel, Picture, Thinned, broken

TOLD = ("warning", "output off")
"""What a contact or a person says of a UPS that belongs into the plot."""


def staircase(facts: RunFacts) -> Picture | None:
    """None where no supply stood in for a battery."""
    if facts.samples is None or not any(spell.state == "standing in" for spell in facts.spells):
        return None
    begin_s = _on_battery(facts)
    elapsed = facts["elapsed_s"]
    inside = np.flatnonzero(elapsed >= begin_s)
    if len(inside) < 3:
        return None
    rows = inside[Thinned.of(facts["pack_volts"][inside], facts["pack_amps"][inside]).rows]
    unit_s, word = facts.hours
    set_s, set_v = _set(facts, begin_s, float(elapsed[-1]))
    holes = [one for one in facts.gaps() if one[0] >= begin_s]
    x, volts, amps = broken(elapsed[rows], facts["pack_volts"][rows], facts["pack_amps"][rows], holes=holes)
    x = x / unit_s
    stairs = Curve(x=set_s / unit_s, y=set_v, words="set", pen=LIMIT, kind="steps")
    moments = tuple(_moments(facts, begin_s, unit_s))
    return Picture(
        name="staircase",
        title="Staircase to the floor",
        words=_words(facts),
        panels=(
            Panel(
                y_words="volts at the UPS, V",
                curves=(stairs, Curve(x=x, y=volts, words="measured", pen=VOLTS)),
                levels=tuple(_levels(facts)),
                moments=moments,
            ),
            Panel(
                y_words="amps into the UPS, A",
                x_words=word,
                curves=(Curve(x=x, y=amps, words="amps", pen=replace(AMPS, dash=())),),
                moments=tuple(replace(one, words="") for one in moments),
            ),
        ),
        columns=_columns(facts, rows, set_s, set_v),
        height_in=3.3,
    )


def _columns(facts: RunFacts, rows: NDArray[np.intp], set_s: Numbers, set_v: Numbers) -> dict[str, Numbers]:
    elapsed = facts["elapsed_s"][rows]
    at = np.clip(np.searchsorted(set_s, elapsed, side="right") - 1, 0, None)
    return {
        "elapsed_s": elapsed,
        "set_volts": set_v[at] if len(set_v) else np.full(len(rows), math.nan),
        "pack_volts": facts["pack_volts"][rows],
        "pack_amps": facts["pack_amps"][rows],
    }


def _on_battery(facts: RunFacts) -> float:
    """When mains was first taken away, s; the beginning where it never was."""
    for event in facts.of("switched"):
        if event.get("what") == "mains" and event.get("on") is False:
            return seconds(event)
    return 0.0


def _set(facts: RunFacts, begin_s: float, end_s: float) -> tuple[Numbers, Numbers]:
    """When the supply was told which volts; the last one lasts to the end."""
    told = [
        (max(seconds(event), begin_s), number(event, "volts"))
        for event in facts.of("intent")
        if event.get("phase") == "stand-in"
    ]
    before = [one for one in told if one[0] <= begin_s][-1:]
    kept = [*before, *(one for one in told if one[0] > begin_s)]
    if not kept:
        return np.empty(0), np.empty(0)
    times, volts = zip(*kept, (end_s, kept[-1][1]), strict=True)
    return np.array(times), np.array(volts)


def _levels(facts: RunFacts) -> Iterator[Level]:
    for name, words in (("floor_v", "floor"), ("warn_v", "warning")):
        volts, spread = facts.figure(name)
        if not math.isnan(volts):
            yield Level(y=volts, half=0.0 if math.isnan(spread) else spread, words=f"{words} {volts:.2f} V")


def _moments(facts: RunFacts, begin_s: float, unit_s: float) -> Iterator[Moment]:
    for event in facts.of("mark"):
        if event.get("text") in TOLD and seconds(event) >= begin_s:
            yield Moment(x=seconds(event) / unit_s, words=str(event["text"]))


def _words(facts: RunFacts) -> str:
    parts = ["The supply stands in for the battery and is lowered level by level, mains away."]
    figures = facts.result.figures
    parts += [f"It warned at {figure_words(figures['warn_v'])}."] if "warn_v" in figures else []
    found = f"It dropped its load at {figure_words(figures['floor_v'])}." if "floor_v" in figures else ""
    return " ".join([*parts, found or "No floor was found."])
