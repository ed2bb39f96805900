"""What must be so after something went wrong, asked of the simulated world and never of the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from grid_moments import Reference
from grid_play import VARIANTS, Scene, Spoil
from grid_world import FLOWS_A

from sims.scenario import Scenario

CELL_LEAST_V, CELL_MOST_V = 2.00, 3.80
"""A cell of the packs that are played with, by its chemistry's table: never below, never above."""

LEAD_CELL_MOST_V = 2.60
"""A lead-acid cell likewise: what a UPS's battery side may come to, by each two volts of its nominal ones."""

REFUSED = (2, 10, 11, 12, 30, 40)
STOPPED = range(20, 26)
LOUD = (90, 99)
CODES = (0, 1, *REFUSED, *STOPPED, *LOUD)


@dataclass(frozen=True, slots=True)
class Hazard:
    """One thing that goes wrong, for a ``row`` of DEVELOPERS.md's table of hazards.

    ``kinds`` are the blocks in which it can happen, ``why`` says of the others why it cannot there; ``not_in`` likewise
    of phases. ``ends``: phase -> how a run may end then, exit code and first words, any of them; a phase that is not
    named ends as ``holding`` does, or with 0; besides, kind -> how one of its blocks may end in any phase. ``at``:
    moment, or kind and moment -> how it ends instead, where a phase has moments that differ; ``not_at``: moment -> why
    it cannot be met there. ``within_s``: from the fault until nothing is on, where it ends the run. ``spared``: bounds
    that this hazard is about, of "amps", "node", "ons", "mains", "contactor", "flows", and "idle": what is on
    may stay so while nothing flows. ``begin`` changes the bench before a run, in place of ``spoil``, for what is there
    before anybody looks.
    """

    row: str
    spoil: Spoil
    kinds: tuple[str, ...]
    ends: Mapping[str, tuple[str, ...]]
    why: Mapping[str, str] = field(default_factory=dict)
    not_in: Mapping[str, str] = field(default_factory=dict)
    at: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    not_at: Mapping[str, str] = field(default_factory=dict)
    within_s: float = 6.0
    night: str = "short"
    variant: str = "plain"
    spared: tuple[str, ...] = ()
    begin: Callable[[Scenario], Scenario] | None = None
    put_right: bool = False
    """Arming undoes what was done before it: what goes on then is set as it would have been."""
    also: Callable[[Scene], list[str]] = lambda scene: []

    def __post_init__(self) -> None:
        assert self.variant in VARIANTS
        assert all(int(end.split()[0]) in CODES for of in (self.ends, self.at) for ends in of.values() for end in ends)

    def may_end(self, phase: str, kind: str, moment: str = "") -> tuple[str, ...]:
        """How a run may end that it meets at ``moment`` in ``phase`` of a block of ``kind``."""
        for key in (f"{kind} {moment}", moment):
            if key in self.at:
                return self.at[key]
        usual = self.ends[phase] if phase in self.ends else (*self.ends["holding"], "0")
        return (*usual, *self.ends.get(kind, ()))


def judge(scene: Scene, hazard: Hazard, phase: str, whole: Reference, moment: str = "") -> list[str]:
    """Everything that is wrong after ``hazard`` at ``moment`` in ``phase``; ``whole`` is the undisturbed run."""
    wrong = [*_end(scene, hazard, phase, moment), *_off(scene, hazard), *_bounds(scene, hazard), *hazard.also(scene)]
    if scene.held.get("due"):
        wrong.append(f"never happened: {scene.held['due']}")
    if moment == "arm" and hazard.put_right:
        wrong += _armed_otherwise(scene, whole)
    if scene.exit_code in STOPPED and not scene.peaks.last_on_s - scene.at_s <= hazard.within_s:
        wrong.append(f"on for {scene.peaks.last_on_s - scene.at_s:.1f} s after it, at most {hazard.within_s:g} s")
    ons = len(scene.peaks.ons)
    if ons > whole.ons and "ons" not in hazard.spared:
        wrong.append(f"switched on {ons} times, {whole.ons} undisturbed")
    if scene.exit_code in REFUSED and ons and "ons" not in hazard.spared:
        wrong.append(f"exit {scene.exit_code} says that nothing was energised: {scene.peaks.ons}")
    return wrong


def _armed_otherwise(scene: Scene, whole: Reference) -> list[str]:
    """Whatever was done while an instrument was armed: what goes on then is set as it would have been without."""
    before = sum(t < scene.at_s for t, _ in scene.peaks.ons)
    now, then = scene.peaks.held[before : before + 1], whole.held[before : before + 1]
    return [f"switched on with {now[0]}, undisturbed with {then[0]}"] if now and now != then else []


def _end(scene: Scene, hazard: Hazard, phase: str, moment: str) -> list[str]:
    may = hazard.may_end(phase, scene.kind, moment)
    for end in may:
        code, _, words = end.partition(" ")
        if scene.exit_code == int(code) and words in scene.reason:
            return []
    return [f"ended with {scene.exit_code} {scene.reason[:120]!r}, not one of {', '.join(may)}"]


def left(scene: Scene, spared: tuple[str, ...] = ()) -> list[str]:
    """What is still on, by the world."""
    world, found = scene.world, []
    if world.supply.output_on and "idle" not in spared:
        found.append("supply on")
    if world.load.input_on and "idle" not in spared:
        found.append("load on")
    if scene.procedure.subject == "ups" and world.ups.mains_on and "mains" not in spared:
        found.append("mains on")
    if "contactor" in scene.bench.names and world.contactor_closed and "contactor" not in spared:
        found.append("contactor closed")
    flows = max(abs(world.pack_amps), abs(world.load_amps), world.supply_amps)
    if not flows <= FLOWS_A and "flows" not in spared:
        found.append(f"{flows:.3f} A flow")
    return found


def _off(scene: Scene, hazard: Hazard) -> list[str]:
    loud = any("TREAT THE BENCH AS LIVE" in text for text in scene.said)
    if scene.exit_code in LOUD:
        return [] if loud else [f"exit {scene.exit_code}, and nobody was told"]
    if scene.exit_code in REFUSED:
        # What somebody else had on stays on: a refusal says nothing about the bench.
        return []
    return [f"exit {scene.exit_code} says off, the world says: {what}" for what in left(scene, hazard.spared)]


def _bounds(scene: Scene, hazard: Hazard) -> list[str]:
    peaks, wrong = scene.peaks, []
    if not peaks.cell_least_v >= CELL_LEAST_V or not max(peaks.cell_most_v, 0.0) <= CELL_MOST_V:
        wrong.append(f"cells at {peaks.cell_least_v:.3f} to {peaks.cell_most_v:.3f} V")
    if scene.procedure.subject == "ups":
        most = scene.bench.facts.ups.nominal_dc_volts / 2.0 * LEAD_CELL_MOST_V
    else:
        most = scene.bench.facts.pack.cells_in_series * CELL_MOST_V
    if not peaks.node_v <= most and "node" not in hazard.spared:
        wrong.append(f"node at {peaks.node_v:.2f} V, at most {most:.2f} V")
    fuse = scene.bench.facts.fuse_amps or 1e9
    flows = max(peaks.pack_a, peaks.load_a, peaks.supply_a)
    if not flows <= fuse and "amps" not in hazard.spared:
        wrong.append(f"{flows:.1f} A, the fuse bears {fuse:g} A")
    return wrong


# -- left to itself ----------------------------------------------------------------------------------------------------

NOTHING = Hazard("", lambda scene: None, (), {"holding": ()})
LEFT_ALONE_S = 8 * 3600.0
LONG_STEP_S = 10.0


def left_alone(scene: Scene) -> list[str]:
    """Nobody says anything any more: what the bench comes to by itself in a night, by its own stops and set-points."""
    bench, world = scene.bench, scene.world
    scene.peaks.clear()
    world.long_steps(LONG_STEP_S)
    for _ in range(8):
        scene.clock.pass_by(LEFT_ALONE_S / 8)
        bench.advance()
        world.long_steps(LONG_STEP_S)
        scene.peaks.follow(world)
    wrong = _bounds(scene, NOTHING)
    if scene.kind == "sink" and world.load.input_on:
        wrong.append(f"after {LEFT_ALONE_S / 3600:g} h the load's own stop has not ended it")
    if scene.peaks.hottest_c > 60.0:
        wrong.append(f"pack at {scene.peaks.hottest_c:.1f} degC")
    return wrong


def merely(**ends: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """A table of ends whose phases may be written as words: ``safe_off`` is "safe-off"."""
    return {name.replace("_", "-"): tuple(value) for name, value in ends.items()}
