"""Runs of any installed procedure on a simulated bench in memory, with one thing going wrong at one moment of them."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import night as nights
import pytest
from grid_world import Peaks, SpoiltClock, SpoiltDisk, traced

from harness.errors import UserError
from harness.loop import Loop
from harness.procedure import Procedure, procedures
from harness.recorder import Recorder
from harness.run import Home, Job, ProgramError, Watcher, prepare, run
from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import Scenario, load_scenario


@dataclass(frozen=True, slots=True)
class Setup:
    """On which bench a procedure runs, how full its pack is, with which keys of the plan."""

    scenario: str
    sets: tuple[str, ...] = ()
    start_share: float | None = None


OF_A_SUBJECT = {"pack": Setup("porch", start_share=0.5), "ups": Setup("cabinet")}
"""For a procedure without a row here."""

SHORT: dict[tuple[str, str], Setup] = {
    ("capacity", "sink"): Setup("porch", ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), 0.021),
    ("capacity", "source"): Setup(
        "porch",
        ("rate_it=1.5", "end_v=12.6", "rest_s=2", "rest_after_s=2", "charge_amps=4", "charge_end_amps=3"),
        0.995,
    ),
    ("charge", "source"): Setup("porch", ("amps=4", "end_amps=3"), 0.995),
    ("c-rate", "sink"): Setup("porch", ("rates_it=0.5 1.5", "rest_s=5", "step_s=8")),
    ("charge-ceiling", "stand-in"): Setup("cabinet", ("by=supply",)),
}
LONG: dict[tuple[str, str], Setup] = {
    ("capacity", "sink"): Setup("porch", ("charge_first=false", "rate_it=0.75", "rest_s=2", "rest_after_s=2"), 0.5),
    ("capacity", "source"): Setup("porch", ("rate_it=1.5", "rest_s=2", "rest_after_s=2", "charge_amps=4"), 0.6),
    ("charge", "source"): Setup("porch", ("amps=4",), 0.6),
    ("c-rate", "sink"): Setup("porch", ("rates_it=0.75", "rest_s=5", "step_s=1500")),
}
"""(procedure, kind of block) -> a night of few samples, and one that lasts long enough for what builds up slowly."""


@dataclass(frozen=True, slots=True)
class Variant:
    """A bench that is another than the scenario's from the beginning, though nothing is wrong with it."""

    facts: Callable[[Scenario], Scenario] = lambda facts: facts
    manners: dict[str, Manners] = field(default_factory=dict)
    runs: bool = False
    """Its clock goes on by itself."""
    pack_text: Callable[[str], str] = lambda text: text


def _two_wire(facts: Scenario) -> Scenario:
    return replace(facts, load=replace(facts.load, sense="local"), supply=replace(facts.supply, sense="local"))


def _contactor(facts: Scenario) -> Scenario:
    facts = replace(facts, fitted=(*facts.fitted, "contactor"))
    return replace(facts, load=replace(facts.load, sense="local"))


VARIANTS: dict[str, Variant] = {
    "plain": Variant(),
    "two wires": Variant(_two_wire),
    "contactor": Variant(_contactor),
    "machine time": Variant(runs=True),
    "two quadrants": Variant(manners={"supply": Manners(shape="two-quadrant")}),
    "short tail": Variant(pack_text=lambda text: text + "\n[limits]\ntail_longest_s = 1800\n"),
}


@dataclass(slots=True)
class Scene:
    """A bench on which a run goes on, for whoever spoils it. ``at_s`` and ``at``: bench time and number of the message
    before which it is spoilt."""

    procedure: Procedure
    kind: str
    bench: SimBench
    clock: SpoiltClock
    wires: nights.Wires
    disk: SpoiltDisk
    peaks: Peaks
    at_s: float = float("nan")
    at: int = -1
    said: list[str] = field(default_factory=list)
    shown: list[tuple[int, float, Any, str]] = field(default_factory=list)
    """Of each sample shown: messages heard before, bench time, the sample, state of the UPS."""
    started_at: int = -1
    """Messages heard before the run had a folder."""
    guard_died_s: float = float("inf")
    disk_stalled_s: float = float("inf")
    left_s: float = float("inf")
    """When somebody has last shown themselves; inf while they go on doing so."""
    answers: dict[str, Callable[[bytes], bytes | None]] = field(default_factory=dict)
    """Instruments that answer for themselves: ``None`` lets a message through."""
    late: dict[str, int] = field(default_factory=dict)
    """Of so many replies of an instrument each comes with the one after it."""
    broken: dict[str, int] = field(default_factory=dict)
    """How many times the line of an instrument has broken; sessions from before are dead."""
    swapped: dict[str, str] = field(default_factory=dict)
    """Whoever opens a line to the one reaches the other."""
    held: dict[str, Any] = field(default_factory=dict)
    hands: Callable[[str], str] = lambda order: "done"
    exit_code: int = -1
    reason: str = ""
    """Why it ended, or was refused."""
    crash: ProgramError | None = None
    steady_s: float = 0.0

    @property
    def world(self) -> Any:
        return self.bench.world

    @property
    def active(self) -> str:
        """The instrument that carries the current of this kind of block."""
        return "load" if self.kind in ("sink", "trace") else "supply"


class _Line:
    """One session with an instrument, spoilt as the scene says at that moment."""

    def __init__(self, scene: Scene, name: str, talker: Any) -> None:
        self._scene, self._name, self._talker = scene, name, talker
        self._born, self._late = scene.broken.get(name, 0), b""

    def feed(self, data: bytes) -> bytes:
        scene, name = self._scene, self._name
        if scene.broken.get(name, 0) > self._born:
            raise ConnectionResetError(f"simulated fault: the line to {name} has broken")
        own = scene.answers[name](data.strip()) if name in scene.answers else None
        reply = self._talker.feed(data) if own is None else own
        out, self._late = self._late, b""
        if reply and scene.late.get(name, 0) > 0:
            scene.late[name] -= 1
            self._late = reply
            return out
        return out + reply

    def hang_up(self) -> None:
        self._talker.hang_up()


class _Eye(Watcher):
    def __init__(self, scene: Scene) -> None:
        self.scene = scene

    def started(self, ready: Any, folder: Any) -> None:
        self.scene.started_at = len(self.scene.wires.heard)

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        scene = self.scene
        ups = scene.bench.world.ups
        state = "" if ups is None else ups.state
        scene.shown.append((len(scene.wires.heard), scene.clock.now(), sample, state))

    def say(self, text: str) -> None:
        self.scene.said.append(text)

    def acknowledged_unsafe(self, serial: str) -> bool:
        # Somebody is there and has read it: thousands of runs need not go on trying for ten minutes each.
        return True


def setup_of(procedure: str, kind: str, night: str) -> Setup:
    """The night of a procedure; of one nobody has thought of here, that of its subject."""
    rows = LONG if night == "long" else SHORT
    known = procedures().get(procedure)
    row = rows.get((procedure, kind)) or SHORT.get((procedure, kind))
    return row or OF_A_SUBJECT[known.subject if known else "pack"]


def _facts(setup: Setup, variant: Variant) -> Scenario:
    facts = load_scenario(setup.scenario)
    if setup.start_share is not None:
        shares = (setup.start_share,) * len(facts.pack.start_share)
        facts = replace(facts, pack=replace(facts.pack, start_share=shares))
    return variant.facts(facts)


Spoil = Callable[[Scene], None]


def play(
    out: Path,
    procedure: Procedure,
    kind: str,
    *,
    night: str = "short",
    variant: str = "plain",
    at: int = -1,
    spoil: Spoil = lambda scene: None,
    facts: Callable[[Scenario], Scenario] = lambda facts: facts,
) -> Scene:
    """One run; ``spoil`` is done just before message number ``at`` is said, or with -1 never. ``facts`` may change the
    bench from the beginning, which moves every moment but the first."""
    setup, other = setup_of(procedure.name, kind, night), VARIANTS[variant]
    clock = SpoiltClock(runs=other.runs)
    made = facts(_facts(setup, other))
    bench = SimBench(made, now=clock.now, seed=None, manners=other.manners)
    wires = nights.Wires(bench, clock)
    scene = Scene(procedure, kind, bench, clock, wires, SpoiltDisk(), traced(bench.world))
    scene.hands = bench.do
    connect = bench.connect
    bench.connect = lambda name: _Line(scene, name, connect(scene.swapped.get(name, name)))  # type: ignore[method-assign, assignment, return-value]

    def before(number: int, who: str, message: bytes) -> None:
        scene.peaks.follow(bench.world)
        if number == at:
            scene.at_s, scene.at = clock.now(), number
            spoil(scene)
            scene.peaks.follow(bench.world)

    wires.before = before
    wires.do = lambda order: scene.hands(order)  # type: ignore[method-assign]
    job = _files(out, scene, setup, other)
    with ExitStack() as stack:
        patch = stack.enter_context(pytest.MonkeyPatch.context())
        patch.setattr("harness.run.Recorder", partial(Recorder, opener=scene.disk))
        patch.setattr(Loop, "look", _looking(scene, Loop.look))
        _run(job, scene)
    bench.advance()
    bench.world.changed()
    scene.peaks.follow(bench.world)
    return scene


def _looking(scene: Scene, plain: Callable[..., Any]) -> Callable[..., Any]:
    """The loop hears of a guard that died, a disk that stalls and somebody who left, from the moment they did."""

    def look(self: Loop, block: Any) -> Any:
        now_s = scene.clock.now()
        if now_s >= scene.guard_died_s:
            self.guard_silent_s = lambda: now_s - scene.guard_died_s
        if now_s >= scene.disk_stalled_s:
            self.record_state = lambda: (now_s - scene.disk_stalled_s, float("inf"))
        if now_s >= scene.left_s:
            self.nobody_s = lambda: now_s - scene.left_s
        return plain(self, block)

    return look


def _files(out: Path, scene: Scene, setup: Setup, variant: Variant) -> Job:
    files, bench = Path(tempfile.mkdtemp(dir=out)), scene.bench
    addresses = {name: f"sim:{setup.scenario}/{name}" for name in bench.names}
    texts = {"bench": bench.bench_toml(addresses, clock=None), "pack": variant.pack_text(bench.pack_toml())}
    ups = scene.procedure.subject == "ups"
    if ups:
        texts["ups"] = bench.ups_toml()
    for name, text in texts.items():
        (files / f"{name}.toml").write_text(text, encoding="utf-8")
    return Job(
        scene.procedure,
        files / "bench.toml",
        files / "pack.toml",
        sets=setup.sets,
        out=files / "runs",
        home=Home(scene.clock, scene.wires),
        ups=files / "ups.toml" if ups else None,
    )


def _run(job: Job, scene: Scene) -> None:
    try:
        done = run(prepare(job), watcher=_Eye(scene))
        scene.exit_code, scene.reason = done.exit_code, done.result.end_reason
    except UserError as refusal:
        scene.exit_code, scene.reason = refusal.exit_code, str(refusal)
    except ProgramError as crash:
        scene.exit_code, scene.reason, scene.crash = 1, str(crash), crash
