"""What each order of switching off does to the node: every order, in every phase of the table of orders.

The bench is played up to the middle of a phase; from there on it is a copy of the world alone, on which supply, load,
mains, AC load and contactor go off one after the other, as far apart as they may ever be.
"""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path
from typing import Any

import grid_pack as pack
from grid_moments import reference
from grid_play import Scene, play
from grid_world import Traced

from harness.off_order import ORDER, SINK_LAST_S, SINK_LAST_V
from harness.procedure import procedures

APART_S = 0.3
"""The longest from one to the next, s."""

AFTER_S = 12.0
NOISE_V = 0.01
UPS_MOST_V = 29.4
"""2.45 V for each of twelve lead-acid cells."""


@dataclass(frozen=True, slots=True)
class Stage:
    """Where a row of the table of orders is met: a run, the moment of it, and what goes wrong there."""

    procedure: str
    kind: str
    moment: str = "in it"
    spoil: Callable[[Scene], None] = lambda scene: None


STAGES: dict[str, Stage] = {
    "sink": Stage("capacity", "sink"),
    "source": Stage("charge", "source"),
    "stand-in": Stage("voltage-floor", "stand-in", "battery, mains off"),
    "stand-in, mains on": Stage("voltage-floor", "stand-in", "mains, mains on"),
    "stand-in, mains on, volts": Stage("voltage-floor", "stand-in", "mains, mains on", pack.charger_pushes),
    "trace": Stage("charge-ceiling", "trace", "mains, mains on"),
    "trace, amps": Stage("charge-ceiling", "trace", "off, mains on", pack.both_on_the_node),
}
"""Phase -> where it is. ``rest`` has nothing on, and ``unknown`` is each of these."""


FIGURES = {"node_v": "V", "over_vs": "V s", "reverse_c": "A s", "broken_a": "A", "flowed_c": "A s"}
LEAST = {"node_v": 0.05, "over_vs": 0.05, "reverse_c": 0.01, "broken_a": 0.05, "flowed_c": 0.1}
"""Less than this apart two orders are alike."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What an order did from the first "off" on: ``node_v`` the most volts at the node, or those that are allowed;
    ``over_vs`` volts over those by time; ``reverse_c`` charge into a supply that is on; ``broken_a`` the current that
    the contactor broke; ``flowed_c`` what supply and load still moved.
    """

    order: tuple[str, ...]
    node_v: float
    over_vs: float
    reverse_c: float
    broken_a: float
    flowed_c: float

    def __str__(self) -> str:
        told = ", ".join(f"{getattr(self, name):.3f} {unit} {name}" for name, unit in FIGURES.items())
        return f"{told}: {' '.join(self.order)}"

    def worse(self, other: Cost) -> tuple[str, ...]:
        """Figures in which this one is worse than ``other`` by more than nothing."""
        return tuple(n for n, least in LEAST.items() if not getattr(self, n) <= getattr(other, n) + least)


def world_in(phase: str) -> Any:
    """The world in the middle of a phase, a copy that nobody else has."""
    stage = STAGES[phase]
    at = reference(stage.procedure, stage.kind, "short", "contactor").moments["holding"][stage.moment]
    kept: list[Any] = []

    def keep(scene: Scene) -> None:
        stage.spoil(scene)
        kept.append(scene.world.copy())

    with tempfile.TemporaryDirectory() as place:
        play(
            Path(place), procedures()[stage.procedure], stage.kind, variant="contactor", at=at, spoil=keep
        )  # fmt: skip
    (world,) = kept
    assert isinstance(world, Traced)
    return world


def orders(phase: str, *, contactor_last: bool) -> Iterator[tuple[str, ...]]:
    """The chosen order first, then every other one of the same roles, or of those whose contactor goes last."""
    chosen = ORDER[phase]
    yield chosen
    for one in permutations(chosen):
        if one != chosen and not (contactor_last and one[-1] != chosen[-1]):
            yield one


def allowed(phase: str, world: Any) -> float:
    """Volts at the node above which it counts, V: those there were, or the pack's own, which is no rise; where they are
    what is wrong, those that a UPS's battery side may have."""
    if phase.endswith(", volts"):
        return UPS_MOST_V
    own_v = world.pack.emf if world.hooked in ("pack", "both") else 0.0
    return max(world.volts_at("node"), own_v) + NOISE_V


def cost(world: Any, order: tuple[str, ...], *, base_v: float, sink_last: bool = False) -> Cost:
    """Switch off a copy of ``world`` in ``order``. ``sink_last``: the load waits for a dead node, as it does where it
    takes a charger's current."""
    world = world.copy()
    peaks, broken_a = world.peaks, 0.0
    peaks.clear()
    peaks.base_v = base_v
    for role in order:
        if role == "load" and sink_last:
            _let_it_sink(world)
        if role == "contactor":
            broken_a = abs(world.lead_amps)
        _off(world, role)
        peaks.follow(world)
        _pass(world, APART_S)
    _pass(world, AFTER_S)
    return Cost(order, max(peaks.node_v, peaks.base_v), peaks.over_vs, peaks.reverse_c, broken_a, peaks.flowed_c)


def _pass(world: Any, seconds: float) -> None:
    """In steps short enough for what flows to be added up."""
    end_s = world.t + seconds
    while world.t < end_s - 1e-9:
        world.advance_to(min(end_s, world.t + 0.05 if seconds < 1.0 else world.t + 1.0))


def _let_it_sink(world: Any) -> None:
    until_s = world.t + SINK_LAST_S
    while world.t < until_s and world.volts_at("node") >= SINK_LAST_V:
        _pass(world, 0.2)


def _off(world: Any, role: str) -> None:
    if role == "supply":
        world.supply.output_on = False
    elif role == "load":
        world.load.input_on = False
    elif role == "mains":
        world.ups.mains_on = False
    elif role == "ac-load":
        world.ups.ac_load_on = False
    else:
        world.contact(False)
    world.changed()


@functools.cache
def costs(phase: str, *, contactor_last: bool = True) -> list[Cost]:
    """The chosen order's cost first, then those of all others."""
    world = world_in(phase)
    base_v = allowed(phase, world)
    made = [
        cost(world, one, base_v=base_v, sink_last=phase == "trace" and one == ORDER[phase])
        for one in orders(phase, contactor_last=contactor_last)
    ]
    assert made[0].order == ORDER[phase]
    return made


def unknown() -> dict[tuple[str, ...], dict[str, float]]:
    """Of every order of the roles of ``unknown`` with the contactor last, the worst of each figure in any phase."""
    found: dict[tuple[str, ...], dict[str, float]] = {}
    chosen = ORDER["unknown"]
    for phase in STAGES:
        world = world_in(phase)
        base_v = allowed(phase, world)
        for first in permutations(chosen[:-1]):
            made = cost(world, (*first, chosen[-1]), base_v=base_v)
            worst = found.setdefault(made.order, dict.fromkeys(FIGURES, 0.0))
            for name in FIGURES:
                over = getattr(made, name) - (base_v if name == "node_v" else 0.0)
                worst[name] = max(worst[name], over)
    return found
