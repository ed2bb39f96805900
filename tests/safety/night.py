"""Short nights on a simulated bench in memory, with faults, and a judge that asks the world and never the record."""

from __future__ import annotations

import functools
import importlib.metadata
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest

from harness.clock import VirtualClock
from harness.config import load_bench
from harness.connect import Connection, connect
from harness.errors import UserError
from harness.folder import RunFolder
from harness.jsonlines import events
from harness.procedure import procedures
from harness.result import Result
from harness.run import Done, Home, Job, ProgramError, Watcher, prepare, run
from harness.samplefile import samples
from sims.bench import SimBench
from sims.faults import FaultyTalker
from sims.scenario import Scenario, load_scenario

SCENARIO = "porch"
FOR_EVER = ("deaf", "mute", "gone")
"""Faults that last: neither acts nor answers; acts and never answers; the line is refused."""

ONCE = ("silent", "late", "garble", "drop", "lie", "double", "half", "restart")
"""Faults of one message. ``restart``: the instrument goes to its defaults and its line breaks."""

KINDS = (*ONCE, *FOR_EVER)
LIES = {"lie": 1.02, "double": 2.0, "half": 0.5}

NO_CURRENT_A = 0.03
"""With both outputs off only the idle supply's bleed of some milliamperes leaves the pack."""


@dataclass(frozen=True, slots=True)
class Short:
    """A night of few samples: which procedure, on a pack how full, with which keys of the plan."""

    procedure: str
    start_share: float
    sets: tuple[str, ...]
    active: str


SHORT = {
    # 1.5 It from a nearly empty pack, and a charge of a nearly full one that ends well above its usual end current.
    "capacity": Short("capacity", 0.021, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": Short("charge", 0.995, ("amps=4", "end_amps=3"), "supply"),
}


@dataclass(slots=True)
class Fault:
    """Spoils message number ``at`` (counted over all instruments, from 0) and, if it lasts, those after it."""

    kind: str
    at: int
    hit: str | None = None
    hit_message: bytes = b""
    hit_s: float = 0.0


class Wires:
    """Stands between the harness and a simulated bench; knows every message in order. ``mute``, ``deaf`` and ``gone``
    are the instruments lost for ever."""

    def __init__(self, bench: SimBench, clock: VirtualClock, *faults: Fault) -> None:
        self.bench, self.clock, self.faults = bench, clock, faults
        self.names = bench.names
        self.heard: list[tuple[float, str, bytes]] = []
        self.before: Callable[[int, str, bytes], None] = lambda number, name, message: None
        """Called ahead of every message with its number; may act on the bench or raise."""
        self.mute: set[str] = set()
        self.deaf: set[str] = set()
        self.gone: set[str] = set()

    def connect(self, name: str) -> Any:
        if name in self.gone:
            raise ConnectionRefusedError(f"simulated fault: {name} is gone")
        talker: Any = self.bench.connect(name)
        for fault in self.faults:
            talker = FaultyTalker(talker, partial(self._kind, fault, name), lie_factor=LIES.get(fault.kind, 1.0))
        return _Wrapped(self, name, talker)

    def do(self, order: str) -> str:
        """A person's hands, as on the bench itself."""
        return self.bench.do(order)

    def noticed(self) -> list[tuple[float, str]]:
        """What a person has noticed, as on the bench itself."""
        return self.bench.noticed()

    def hear(self, name: str, message: bytes) -> None:
        """One message more; lasting faults begin here, before the instrument acts."""
        number = len(self.heard)
        self.heard.append((self.clock.now(), name, message))
        self.before(number, name, message)
        for fault in self.faults:
            if fault.kind in FOR_EVER and self._hits(fault, name, message):
                getattr(self, fault.kind).add(name)

    def sent(self, name: str | None = None) -> list[bytes]:
        """What was said to one instrument, or to all."""
        return [message for _, who, message in self.heard if name in (None, who)]

    def _hits(self, fault: Fault, name: str, message: bytes) -> bool:
        if fault.hit is not None or len(self.heard) <= fault.at:
            return False
        fault.hit, fault.hit_message, fault.hit_s = name, message, self.clock.now()
        return True

    def _kind(self, fault: Fault, name: str, _number: int, message: bytes) -> str | None:
        if fault.kind in FOR_EVER or not self._hits(fault, name, message):
            return None
        if fault.kind == "restart":
            self.bench.connect(name).feed(b"*RST\n")
            return "drop"
        return "lie" if fault.kind in LIES else fault.kind


class _Wrapped:
    """One session, silent where its instrument is."""

    def __init__(self, wires: Wires, name: str, talker: Any) -> None:
        self._wires, self._name, self._talker = wires, name, talker
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        wires, name, out = self._wires, self._name, b""
        *messages, self._held = (self._held + data).split(b"\n")
        for message in messages:
            wires.hear(name, message)
            if name in wires.gone:
                raise ConnectionResetError(f"simulated fault: {name} is gone")
            if name not in wires.deaf:
                reply = self._talker.feed(message + b"\n")
                out += b"" if name in wires.mute else reply
        return out

    def hang_up(self) -> None:
        self._talker.hang_up()


@dataclass(slots=True)
class Night:
    """How a night went, and the bench it left."""

    short: Short
    exit_code: int
    wires: Wires
    clock: VirtualClock
    said: list[str]
    done: Done | None = None
    refusal: UserError | None = None
    crash: ProgramError | None = None
    folder: RunFolder | None = None
    files: Path = Path()

    @property
    def world(self) -> Any:
        return self.wires.bench.world

    @property
    def result(self) -> Result:
        assert self.folder is not None
        return msgspec.json.decode(self.folder.result_json.read_bytes(), type=Result)

    def events(self, kind: str | None = None) -> list[dict[str, Any]]:
        assert self.folder is not None
        return [e for e in events(self.folder) if kind in (None, e["kind"])]

    def on_at(self) -> list[tuple[float, str]]:
        """Every order to switch something on: when and which instrument."""
        return [(t, who) for t, who, m in self.wires.heard if m in (b"OUTP ON", b"INP ON")]

    def off_at(self) -> list[tuple[float, str]]:
        return [(t, who) for t, who, m in self.wires.heard if m in (b"OUTP OFF", b"INP OFF")]


class _Watch(Watcher):
    def __init__(self, each: Callable[[int, Any], None] | None, said: list[str], patient: bool) -> None:
        self.said, self.each, self.patient, self.count = said, each, patient, 0
        self.folder: RunFolder | None = None

    def started(self, ready: Any, folder: RunFolder) -> None:
        self.folder = folder

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        self.count += 1
        if self.each is not None:
            self.each(self.count, sample)

    def say(self, text: str) -> None:
        self.said.append(text)

    def acknowledged_unsafe(self, serial: str) -> bool:
        # Somebody is there and has read it: thousands of nights need not go on trying for ten minutes each.
        return not self.patient


def facts(short: Short) -> Scenario:
    """The scenario with the pack as full as the short night wants it."""
    nominal = load_scenario(SCENARIO)
    return replace(nominal, pack=replace(nominal.pack, start_share=(short.start_share,) * 4))


def spend(
    out: Path,
    short: Short,
    *,
    fault: Fault | None = None,
    second: Fault | None = None,
    clock: VirtualClock | None = None,
    each: Callable[[int, Any], None] | None = None,
    arrange: Callable[[Wires], None] | None = None,
    bench_text: Callable[[str], str] = lambda text: text,
    pack_text: Callable[[str], str] = lambda text: text,
    scenario: Scenario | None = None,
    procedure: Any = None,
    patient: bool = False,
    seed: int | None = None,
) -> Night:
    """Run one short night and hand back how it went. ``each(n, sample)`` is called as the screen is; ``arrange`` may
    hang things on the bench before anything is said."""
    clock = clock or VirtualClock()
    bench = SimBench(scenario or facts(short), now=clock.now, seed=seed)
    wires = Wires(bench, clock, *(one for one in (fault, second) if one is not None))
    if arrange is not None:
        arrange(wires)
    files = Path(tempfile.mkdtemp(dir=out))
    bench_file, pack_file = files / "bench.toml", files / "pack.toml"
    addresses = {name: f"sim:{SCENARIO}/{name}" for name in bench.names}
    bench_file.write_text(bench_text(bench.bench_toml(addresses, clock=None)), encoding="utf-8")
    pack_file.write_text(pack_text(bench.pack_toml()), encoding="utf-8")
    said: list[str] = []
    watch = _Watch(each, said, patient)
    job = Job(
        procedure or procedures()[short.procedure],
        bench_file,
        pack_file,
        sets=short.sets,
        out=files / "runs",
        home=Home(clock, wires),
    )
    night = Night(short, -1, wires, clock, said, files=files)
    try:
        night.done = run(prepare(job), watcher=watch)
        night.exit_code = night.done.exit_code
    except UserError as refusal:
        night.refusal, night.exit_code = refusal, refusal.exit_code
    except ProgramError as crash:
        night.crash, night.exit_code = crash, 1
    night.folder = watch.folder
    return night


# -- the judge -------------------------------------------------------------------------------------------------------

OFF_SENT_WITHIN_S = 6.0
"""Three samples of a period of 1 s, each as late as the deadline of a silent line makes it."""

IDLE_OFF_SENT_WITHIN_S = 20.0
"""The same for ten samples: the instrument that fell silent carries no current."""

OFF_CONFIRMED = {0, 1, 20, 21, 22, 23, 24, 25}
NOTHING_ENERGISED = {2, 10, 11, 12, 30}
NOT_OFF = {90, 99}


def truly_off(world: Any) -> bool:
    """What the world says, whatever anybody reports: both switches open and no current but the bleed."""
    world.changed()
    switches = world.supply.output_on or world.load.input_on
    return not switches and abs(world.pack_amps) <= NO_CURRENT_A and abs(world.load_amps) <= NO_CURRENT_A


def cell_volts(world: Any) -> list[float]:
    return list(world.pack.cell_volts(world.pack_amps))


def unreachable(night: Night) -> bool:
    """Whether the instrument that carries the current cannot be reached any more."""
    wires = night.wires
    return bool({"load", "supply"} & (wires.deaf | wires.gone))


def judge(night: Night) -> list[str]:
    """Everything that is wrong with how a night ended; an empty list when nothing is."""
    wrong: list[str] = []
    world = night.world
    if night.crash is not None:
        wrong.append(f"program error: {night.crash}")
    if night.exit_code not in OFF_CONFIRMED | NOTHING_ENERGISED | NOT_OFF:
        wrong.append(f"exit {night.exit_code} is not in the table")
    off = truly_off(world)
    if not off and not unreachable(night):
        wrong.append(f"left on: supply {world.supply.output_on}, load {world.load.input_on}, {world.pack_amps:.3f} A")
    if not off and night.exit_code not in NOT_OFF:
        wrong.append(f"exit {night.exit_code} says off, the world says on")
    if not off:
        wrong += _bounded(night)
    if night.exit_code in NOT_OFF and not any("TREAT THE BENCH AS LIVE" in text for text in night.said):
        wrong.append("not off, and nobody was told")
    cells = cell_volts(world)
    if min(cells) < 2.0 or max(cells) > 3.80:
        wrong.append(f"cells at {min(cells):.3f} to {max(cells):.3f} V")
    if night.exit_code in NOTHING_ENERGISED and night.on_at():
        wrong.append(f"exit {night.exit_code} says nothing was energised: {night.on_at()}")
    wrong += _in_time(night)
    if len(night.on_at()) > 1:
        wrong.append(f"switched on {len(night.on_at())} times")
    if night.folder is not None:
        wrong += _record(night)
    return wrong


def _in_time(night: Night) -> list[str]:
    """From a lasting fault on the way until whatever carries the current was told to switch off."""
    on = [t for t, _ in night.on_at()]
    wrong: list[str] = []
    if night.short.active in night.wires.gone:
        return wrong  # it cannot be told anything any more
    for fault in night.wires.faults:
        if fault.kind in FOR_EVER and fault.hit is not None and on and on[0] <= fault.hit_s:
            off = [t for t, who in night.off_at() if t >= on[0] and who == night.short.active]
            late_s = off[0] - fault.hit_s if off else float("inf")
            idle = fault.hit in ("supply", "load") and fault.hit != night.short.active
            if not late_s <= (IDLE_OFF_SENT_WITHIN_S if idle else OFF_SENT_WITHIN_S):
                wrong.append(f"off sent {late_s:.1f} s after {fault.hit} fell silent")
    return wrong


def _bounded(night: Night) -> list[str]:
    """An output nobody can reach is left to its own stop and to the set volts: watch two more hours of it."""
    world = night.world
    world.advance_to(world.t + 7200.0)
    cells = cell_volts(world)
    wrong = []
    if world.load.input_on:
        wrong.append("the load's own low-volts stop did not end it")
    if min(cells) < 2.0 or max(cells) > 3.80:
        wrong.append(f"left to its own stops: cells at {min(cells):.3f} to {max(cells):.3f} V")
    return wrong


def _record(night: Night) -> list[str]:
    folder, wrong = night.folder, []
    assert folder is not None
    kinds = [e["kind"] for e in night.events()]
    rows = sum(1 for _ in samples(folder))
    if "intent" in kinds and "off" not in kinds:
        wrong.append(f"no off in the record: {kinds}")
    if folder.is_on():
        wrong.append("the folder still says that the run is on")
    result = night.result
    if result.exit_code != night.exit_code:
        wrong.append(f"exit {night.exit_code}, but {result.exit_code} in the result")
    if result.rows != rows:
        wrong.append(f"{rows} rows in the file, {result.rows} in the result")
    if result.off_confirmation is None:
        wrong.append("the result does not say how off was proven")
    elif result.off_confirmation.confirmed is not (night.exit_code not in NOT_OFF):
        wrong.append(f"exit {night.exit_code} and off_confirmation.confirmed {result.off_confirmation.confirmed}")
    text = json.dumps(msgspec.to_builtins(result))
    if "NaN" in text:
        wrong.append("nan in the result")
    return wrong


@contextmanager
def quick() -> Iterator[None]:
    """Thousands of nights need not wait for the disk, nor look up the installed packages each: what the disk holds
    after a power cut is tested elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _descriptor: None)
        patch.setattr(importlib.metadata, "version", functools.cache(importlib.metadata.version))
        yield


# -- a bench without a run -------------------------------------------------------------------------------------------


def connected(out: Path, short: Short, *, arrange: Callable[[Wires], None] | None = None) -> tuple[Wires, Connection]:
    """A simulated bench and live drivers on it, nothing switched on."""
    clock = VirtualClock()
    wires = Wires(SimBench(facts(short), now=clock.now, seed=None), clock)
    if arrange is not None:
        arrange(wires)
    place = Path(tempfile.mkdtemp(dir=out)) / "bench.toml"
    addresses = {name: f"sim:{SCENARIO}/{name}" for name in wires.names}
    place.write_text(wires.bench.bench_toml(addresses, clock=None), encoding="utf-8")
    return wires, connect(load_bench(place), clock=clock, sim=wires)


class Obstinate:
    """Stands in for an instrument that does not do what it is told: ``answer(message)`` gives a reply of its own, or
    ``None`` to let the message through."""

    def __init__(self, talker: Any, answer: Callable[[bytes], bytes | None]) -> None:
        self._talker, self._answer = talker, answer

    def feed(self, data: bytes) -> bytes:
        out = b""
        for message in data.splitlines():
            own = self._answer(message)
            out += self._talker.feed(message + b"\n") if own is None else own
        return out

    def hang_up(self) -> None:
        self._talker.hang_up()


def obstinate(wires: Wires, name: str, answer: Callable[[bytes], bytes | None]) -> None:
    """From now on every session with instrument ``name`` is with an obstinate one."""
    connect_plain = wires.connect

    def connect_to(who: str) -> Any:
        talker = connect_plain(who)
        return Obstinate(talker, answer) if who == name else talker

    wires.connect = connect_to  # type: ignore[method-assign]
