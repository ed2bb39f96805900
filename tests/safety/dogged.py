"""The short nights on instruments that have a watchdog of their line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from night import SHORT, Night, Wires, facts, spend

from sims.manners import Manners
from sims.scenario import Scenario

SECONDS = 10.0
OFF, ON = b"SYST:COMM:WATC OFF", b"SYST:COMM:WATC ON"
ENERGISES = (b"OUTP ON", b"INP ON")


def dogged(procedure: str, **habits: Any) -> Scenario:
    """The short night's bench, whose supply and load have a watchdog; ``habits``: of every instrument."""
    nominal = facts(SHORT[procedure])
    manners = {name: Manners(**habits) for name in nominal.fitted} if habits else {}
    manners |= {name: Manners(shape="watchdog", **habits) for name in ("supply", "load") if name in nominal.fitted}
    return replace(nominal, manners=manners)


def night(out: Path, procedure: str, **how: Any) -> Night:
    scenario = how.pop("scenario", None) or dogged(procedure)
    return spend(out, how.pop("short", SHORT[procedure]), scenario=scenario, **how)


def expired(wires: Wires) -> list[str]:
    return [event.what for event in wires.bench.world.events if "watchdog expired" in event.what]


def left(wires: Wires) -> list[str]:
    """Which outputs are on."""
    world = wires.bench.world
    return [name for name, on in (("supply", world.supply.output_on), ("load", world.load.input_on)) if on]
