"""Units without a fault: drawn packs, UPSs, leads and instruments with their noise, and what happens on any good night.

A reply comes late, at most twice in a row; one sample of one voltmeter dips; the calendar is set. Nothing may speak
that ends a run: too many false stops teach people to change limits.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from campaign_units import NOTE, NUISANCE, Unit
from night import SCENARIO, Night, Short, Wires, judge, spend
from night_clocks import Calendar

from sims.faults import FaultyTalker
from sims.scenario import Scenario, drawn, load_scenario

NIGHTS = 1000

ON_A_PACK = {
    # 6 min at 1.5 It down the knee; the end of a charge; a stair of rates on a half-full pack
    "capacity": Short("capacity", 0.15, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": Short("charge", 0.98, ("amps=4",), "supply"),
    "c-rate": Short("c-rate", 0.60, ("step_s=30", "rest_s=5"), "load", ons=(("load", 4),)),
}
ON_A_UPS = {
    "voltage-floor": Short(
        "voltage-floor", 0.35, ("idle_s=0", "coarse_step_v=1"), "supply", scenario="cabinet",
        ons=(("supply", 1), ("mains", 3), ("acload", 1)),
    ),
    "charge-ceiling": Short(
        "charge-ceiling", 0.35, ("step_v=1",), "load", scenario="cabinet",
        ons=(("supply", 1), ("load", 3), ("mains", 1), ("acload", 1)),
    ),
}  # fmt: skip
NIGHT_OF = {**ON_A_PACK, **ON_A_UPS}

DIP = 0.6
"""What is left of the volts in a sample that dips."""

SPOTS = 3
"""So many times a night at most a reply is late, and so many times one dips."""

SHARE = 1.0 / 300.0
"""Of the readings, that have something of the kind until there were enough (judgement)."""

CALM = 20
"""So many readings of an instrument are good after one that was not."""

EVENING = datetime(2025, 3, 29, 21, tzinfo=UTC)
STEPS_S = (-3600.0, 3600.0, -2.5, 2.5, 0.3)
"""Summer time ends and begins, and what a time server puts right, s."""


@dataclass(slots=True)
class Restless:
    """Spoils readings once something is on: late ones, one or two in a row of one instrument, and dips of one."""

    draw: random.Random
    late: int = SPOTS
    dips: int = SPOTS
    again: str = ""
    begun: bool = False
    calm: dict[str, int] = field(default_factory=dict)
    """Readings of an instrument until something may happen to it again: two in a row are the most."""

    def kind(self, name: str, _number: int, message: bytes) -> str | None:
        """What becomes of this message."""
        self.begun = self.begun or message in (b"OUTP ON", b"INP ON")
        if not self.begun or not message.startswith(b"MEAS:"):
            return None
        if self.again == name:
            self.again = ""
            return "late"
        self.calm[name] = self.calm.get(name, 0) - 1
        if self.calm[name] > 0:
            return None
        if self.late and self.draw.random() < SHARE:
            self.late, self.calm[name] = self.late - 1, CALM
            self.again = name if self.draw.random() < 0.5 else ""
            return "late"
        if self.dips and message.startswith(b"MEAS:VOLT") and self.draw.random() < SHARE:
            self.dips, self.calm[name] = self.dips - 1, CALM
            return "lie"
        return None

    def arrange(self, wires: Wires) -> None:
        """Stand between the run and every instrument."""
        plain = wires.connect

        def connect(name: str) -> Any:
            return FaultyTalker(plain(name), partial(self.kind, name), lie_factor=DIP)

        wires.connect = connect  # type: ignore[method-assign]


def drawn_facts(short: Short, seed: int, *, two_wire: bool) -> Scenario:
    """Pack, UPS, leads and room of this seed."""
    facts = drawn(load_scenario(short.scenario), seed=seed)
    if short.scenario == SCENARIO:
        facts = replace(facts, pack=replace(facts.pack, start_share=(short.start_share,) * 4))
    if two_wire:
        facts = replace(facts, load=replace(facts.load, sense="local"), supply=replace(facts.supply, sense="local"))
    return facts


def a_night(procedure: str, seed: str, out: Path) -> Night:
    """The same seed is the same night. Two-wire by turns: the resistance of the leads is judged then."""
    draw = random.Random(f"night/{seed}")
    short, number = NIGHT_OF[procedure], draw.randrange(1, 1_000_000)
    two_wire = short.scenario == SCENARIO and draw.random() < 0.5
    clock = Calendar(at_s=draw.uniform(5.0, 120.0), step_s=draw.choice(STEPS_S), utc0=EVENING)
    restless = Restless(draw)
    facts = drawn_facts(short, number, two_wire=two_wire)
    return spend(out, short, scenario=facts, seed=number, clock=clock, arrange=restless.arrange)


def quiet(procedure: str, seed: str, out: Path) -> list[str]:
    """What spoke in a night in which nothing may."""
    night = a_night(procedure, seed, out)
    found = judge(night)
    if night.exit_code == 10:
        return [*found, f"{NOTE}the drawn bench cannot: {night.why[:60]}"]
    if night.exit_code != 0:
        found.append(f"{NUISANCE}exit {night.exit_code}: {night.why}")
    warned = night.events("warning") if night.folder is not None else []
    return [*found, *(f"{NOTE}warned: {event['text'][:40]}" for event in warned), f"{NOTE}exit {night.exit_code}"]


def nights(seed: int) -> Iterator[Unit]:
    """Drawn by the seed, every procedure by turns."""
    names = sorted(NIGHT_OF)
    for number in range(NIGHTS):
        procedure = names[number % len(names)]
        yield Unit(f"{procedure}/{seed}/{number}", partial(quiet, procedure, f"{seed}/{number}"))
