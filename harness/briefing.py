"""What a person reads before anything is switched on: the plan, the limits, the barriers, the interlocks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from harness.addresses import simulated
from harness.digits import duration
from harness.interlock import Interlock
from harness.interlocks import CLASSES, standing
from harness.job import Ready
from harness.plain import safe_text

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


def barrier_lines(ready: Ready) -> Iterator[str]:
    """Which layers exist besides this program, and whether they were ever seen to act."""
    bench, site = ready.site.bench, ready.site
    load, supply = bench.one("load"), bench.one("supply")
    fuse = f"DC fuse {bench.fuse_amps:g} A (declared, not seen)" if bench.fuse_amps else "no DC fuse declared"
    bms = "BMS (declared, not seen to act)" if site.subject == "pack" and site.pack.bms else "NO BMS declared"
    yield f"  {fuse}; " + (bms if site.subject == "pack" else "no pack on the node")
    needs = ready.job.procedure.needs(ready.plan)
    if load is not None and "load" in needs:
        has = "own low-volts stop, set and read back before it is switched on"
        yield f"  {load.name}: {has if load.own_low_volts_stop else 'NO low-volts stop of its own declared'}"
    if supply is not None and "supply" in needs:
        has = "own over-volts stop, set and read back before it is switched on"
        yield f"  {supply.name}: {has if supply.own_over_volts_stop else 'NO over-volts stop of its own declared'}"
    yield "  this program trips on the samples it takes; it is the last barrier, never the first"


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
