"""Runs with a UPS on the bench that are hit at one of their samples, and the stages they come through.

The judge is the world: outputs, mains and AC load, and what the instruments heard. A stage is what the record calls the
state, whether mains is taken to be on, and what the UPS itself is doing, which only the world knows.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import night as nights

from harness.folder import RunFolder
from harness.off_order import ORDER
from harness.run import Done
from sims.scenario import Scenario, load_scenario

OFF = {"supply": b"OUTP OFF", "load": b"INP OFF", "mains": b"OUTP OFF", "acload": b"OUTP OFF"}
ROLE = {"acload": "ac-load"}
SHORT = {
    # Long enough on mains for its self-test, and few levels.
    "voltage-floor": nights.Short(
        "voltage-floor", 0.35, ("idle_s=0", "coarse_step_v=2", "mains_wait_s=75"), "supply"
    ),
    "charge-ceiling": nights.Short("charge-ceiling", 0.35, ("step_v=1",), "load"),
    "c-rate": nights.Short("c-rate", 0.35, ("rest_s=5", "step_s=10", "rates_it=0.2 0.5"), "load"),
}

Stage = tuple[str, bool, str]


@dataclass(slots=True)
class Out:
    """How a run came out: its night, the stages it came through, when and at which message it was hit."""

    wires: nights.Wires
    night: nights.Night | None = None
    stages: dict[Stage, int] = field(default_factory=dict)
    hit_s: float = -1.0
    hit_at: int = -1

    @property
    def world(self) -> Any:
        return self.wires.bench.world

    @property
    def done(self) -> Done | None:
        return None if self.night is None else self.night.done

    @property
    def folder(self) -> RunFolder | None:
        return None if self.night is None else self.night.folder

    @property
    def said(self) -> list[str]:
        return [] if self.night is None else self.night.said

    def at_the_end(self, stage: Stage) -> Stage:
        """The stage, with mains as it was when everything went off: it may have been switched on in between."""
        told = [m for _, who, m in self.wires.heard[self.hit_at :] if who == "mains" and m.startswith(b"OUTP O")]
        return (stage[0], stage[1] or (bool(told) and told[0] == b"OUTP ON"), stage[2])

    def offs(self) -> list[str]:
        """Roles in the order in which they were first told to switch off after the hit."""
        heard = self.wires.heard[self.hit_at :]
        told = [ROLE.get(who, who) for _, who, message in heard if OFF.get(who) == message]
        return list(dict.fromkeys(told))


def spend(
    scenario: str,
    procedure: str,
    *,
    at: int = -1,
    act: Callable[[Out], None] = lambda out: None,
    arrange: Callable[[Out], None] = lambda out: None,
    facts: Callable[[Scenario], Scenario] = lambda facts: facts,
    place: Path,
) -> Out:
    """One run; ``act`` is done when sample number ``at`` is shown, ``arrange`` before anything is said."""
    held: list[Out] = []

    def begin(wires: nights.Wires) -> None:
        held.append(Out(wires))
        arrange(held[0])

    def see(count: int, sample: Any) -> None:
        (out,) = held
        out.stages.setdefault((sample.state, sample.mains is True, out.wires.bench.ups.state), count)
        if count == at:
            out.hit_s, out.hit_at = out.wires.clock.now(), len(out.wires.heard)
            act(out)

    scene = facts(load_scenario(scenario))
    night = nights.spend(place, SHORT[procedure], scenario=scene, arrange=begin, each=see)
    (out,) = held
    out.night = night
    return out


def all_stages(place: Path) -> dict[tuple[str, str], dict[Stage, int]]:
    """Scenario and procedure -> stage -> number of its first sample."""
    found = {}
    for scenario in ("cabinet", "porch"):
        for procedure in SHORT:
            out = spend(scenario, procedure, place=place)
            assert out.done is not None
            assert out.done.exit_code == 0, out.done.result.end_reason
            assert wrong(out) == []
            found[scenario, procedure] = out.stages
    return found


def wrong(out: Out) -> list[str]:
    """Everything that was left on, by the world."""
    world, bad = out.world, []
    world.changed()
    ups = out.wires.bench.ups
    if world.supply.output_on:
        bad.append("supply on")
    if world.load.input_on:
        bad.append("load on")
    if ups.mains_on:
        bad.append("mains on")
    if world.hooked == "ups" and not abs(world.ups_amps) < 0.03:
        bad.append(f"{world.ups_amps:.3f} A into the UPS")
    return bad


def order_at(stage: Stage, cause: str = "") -> tuple[str, ...]:
    """The row of the table for a stage."""
    state, mains, _ = stage
    if state != "standing in":
        return ORDER[{"resting": "rest", "tracing": "trace", "sinking": "sink"}[state]]
    return ORDER["stand-in" if not mains else "stand-in, mains on" + (f", {cause}" if cause else "")]


def stop(out: Out) -> None:
    """A person's Ctrl-C, as the flag sees it."""
    os.kill(os.getpid(), signal.SIGINT)
