"""What a person reads before anything is switched on: the plan, the limits, the barriers, the interlocks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, timedelta

from harness.addresses import simulated
from harness.barriers import Row, Tried, table
from harness.digits import duration
from harness.interlock import Interlock
from harness.interlocks import CLASSES, standing
from harness.job import Ready
from harness.plain import safe_text
from harness.unattended import by_files, facts, why_watched

DOING = {
    "rest": "at rest",
    "source": "charging",
    "sink": "discharging",
    "stand-in": "standing in for the battery",
    "trace": "taking the charger's current",
}
"""Phase -> what people call it."""

STOP_WORDS = "Ctrl-C stops: outputs off, confirmed, record kept. If in doubt, pull the fuse."
LABEL_ASK = "cells in series as printed on the pack's own label (real bench only; or --label-cells N)"


def plan_lines(ready: Ready, *, now: datetime | None = None) -> Iterator[str]:
    """Steps, levels, charge, heat, what will be asked; with ``now`` (local time) also the end by the clock."""
    procedure = ready.job.procedure
    forecast = procedure.forecast(ready.plan, ready.site)
    yield f"{procedure.name} on {safe_text(ready.site.name)}: {procedure.about}"
    for number, step in enumerate(forecast.steps, 1):
        charge = f", {step.charge_ah:.3g} Ah" if step.charge_ah else ""
        heat = f", {step.heat_wh:.2g} Wh of heat in the pack" if step.heat_wh else ""
        if step.heat_wh is None:
            heat = ", heat unknown (no resistance_mohm in the pack file)"
        yield f"  {number}. {step.words}: {duration(step.seconds)}{charge}{heat}"
    total = f"  together about {duration(forecast.seconds)} (h:mm:ss)"
    if now is not None:
        total += f"; started now it ends about {now + timedelta(seconds=forecast.seconds):%a %Y-%m-%d %H:%M}"
    yield f"{total}; {forecast.lowest_v:.2f} to {forecast.highest_v:.2f} V at the {ready.site.subject_words}"
    in_memory = any(simulated(entry.address) for entry in ready.site.bench.instruments)
    label = () if in_memory or ready.site.subject == "ups" else (LABEL_ASK,)
    bench = ready.site.bench
    circuits = {ask: "mains" if ask.startswith("mains") else "ac-load" for ask in forecast.asks}
    by_hand = [ask for ask, circuit in circuits.items() if bench.switching(circuit) is None]
    for ask in (*([f"to switch {', '.join(by_hand)}"] if by_hand else ()), *label):
        yield f"  you will be asked: {ask}"


def limit_lines(ready: Ready) -> Iterator[str]:
    """The limits in words."""
    for line in ready.site.envelope.lines():
        yield f"  {line}"


def barrier_lines(ready: Ready, tried: Tried | None = None) -> Iterator[str]:
    """For each hazard what holds it outside this computer, how that is known, what looks on inside, and what is left.

    ``tried`` is what was tried for real; None where nobody has been asked yet.
    """
    rows = table(facts(ready), by_files(ready) if tried is None else tried)
    for row in rows:
        yield f"  {row.hazard}: {_count(row)}"
        for layer in row.outside:
            yield f"    {layer.words} ({layer.known})"
        if row.cheapest:
            yield f"    for another: {row.cheapest}"
        if row.inside[:-1]:
            yield f"    in this computer, one barrier together: {', '.join(row.inside[:-1])}"
        yield f"    left all the same: {row.residual}"
    yield f"  beside each of them in this computer: {rows[0].inside[-1] if rows else 'the guard'}"
    yield f"  {_watchdogs(ready)}"
    yield "  this program trips on the samples it takes; it is the last barrier, never the first"


def _count(row: Row) -> str:
    words = ("none that counts", "ONE barrier", "two barriers", "three barriers")[min(row.barriers, 3)]
    return f"{words} outside the computer" + ("" if row.enough else "; somebody must be there")


def _watchdogs(ready: Ready) -> str:
    found = facts(ready)
    if found.load_watchdog or found.supply_watchdog:
        return "a watchdog of a line acts where computer or line is dead, and not because this program is wrong"
    return "no dialect of this bench has a [watchdog]: where the computer dies no instrument switches off for that"


def one_screen(ready: Ready, tried: Tried, *, now: datetime | None = None) -> Iterator[str]:
    """All that matters in the last moment before anything is switched on; fits one screen of 24 lines."""
    site, env = ready.site, ready.site.envelope
    rows = table(facts(ready), tried)
    used = [role for role in ready.job.procedure.needs(ready.plan) if role in ("supply", "load")]
    needs = [entry.name for role in used if (entry := site.bench.one(role))]
    yield f"ABOUT TO BE SWITCHED ON: {ready.job.procedure.name} on {safe_text(_subject(ready))}, by {', '.join(needs)}"
    yield f"for about {_until(ready, now)}"
    forecast = ready.forecast
    out, into = (max((sign * step.amps for step in forecast.steps), default=0.0) for sign in (1.0, -1.0))
    currents = [f"{word} with up to {amps:g} A" for word, amps in (("out", out), ("in", into)) if amps > 0]
    yield f"current {', '.join(currents) or 'as far as its own limits'}"
    yield (
        f"volts {forecast.lowest_v:.2f} to {forecast.highest_v:.2f} V; trips under {env.low_v:.2f} V and over "
        f"{env.high_v:.2f} V"
    )
    if site.subject == "pack":
        most = min(env.discharge_temp_max_c, env.unattended_temp_max_c if ready.job.unattended else math.inf)
        charge = f"; charged from {env.charge_temp_min_c:g} to {env.charge_temp_max_c:g} degC" if ready.charging else ""
        yield f"temperature {env.discharge_temp_min_c:g} to {most:g} degC{charge}"
    yield "outside this computer:"
    known = {(layer.words.partition(",")[0], layer.known): None for row in rows for layer in row.outside}
    yield from (f"  {words}: {how}" for words, how in known)
    weak = [row.hazard for row in rows if not row.enough]
    yield f"on fewer than two of these: {'; '.join(weak) or 'nothing'}"
    guard = rows[0].inside[-1] if rows else "guard"
    yield f"in this computer, one barrier together and the last: the interlocks; {guard}"
    if not ready.job.unattended:
        yield KEY_WORDS if why_watched(ready, tried) else STAY_WORDS
    yield STOP_WORDS


STAY_WORDS = "STAY WITH IT: this run was not started to be left alone."
KEY_WORDS = "STAY WITH IT and press Enter at least every 10 minutes, else all goes off."


def _subject(ready: Ready) -> str:
    site = ready.site
    if site.subject == "ups":
        return f"the battery leads of {site.name}"
    pack = site.pack
    return f"{site.name} ({pack.cells_in_series} cells of {pack.chemistry}, {pack.rated_ah:g} Ah)"


def _until(ready: Ready, now: datetime | None) -> str:
    seconds = ready.forecast.seconds
    end = "" if now is None else f", until {now + timedelta(seconds=seconds):%a %Y-%m-%d %H:%M}"
    return f"{duration(seconds)} (h:mm:ss) at most{end}"


def interlock_lines(procedure: str, phases: tuple[str, ...]) -> Iterator[str]:
    """What a run trips on, and where each is armed; where one is not, why."""
    for key in CLASSES:
        row = {phase: standing(key, procedure=procedure, phase=phase) for phase in phases}
        armed = [DOING[phase] for phase, stand in row.items() if stand.word == "armed"]
        where = "always" if len(armed) == len(row) else ", ".join(armed) or "never"
        reasons: dict[str, list[str]] = {}
        for phase, stand in row.items():
            if stand.word != "armed":
                reasons.setdefault(stand.reason, []).append(DOING[phase])
        rest = "".join(f"; not {' and '.join(doing)}: {reason}" for reason, doing in reasons.items())
        yield f"  {_words(key)}: {where}{rest}"


def _words(key: str) -> str:
    """What people see of an interlock: the word its class trips with."""
    made = CLASSES[key]
    return made.words if isinstance(made, type) and issubclass(made, Interlock) else key.replace("-", " ")
