"""The one runner of short nights on a simulated bench in memory, with faults; their judge asks the world.

``spend(out, SHORT[procedure], fault=Fault(kind, at))`` runs one, ``judge`` says what is wrong with it. A new procedure
gets a short night in ``SHORT``: few messages, every stage of it.
"""

from __future__ import annotations

import functools
import importlib.metadata
import math
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from night_judge import (
    IDLE_OFF_SENT_WITHIN_S,
    NO_CURRENT_A,
    NOT_OFF,
    NOTHING_ENERGISED,
    OFF_CONFIRMED,
    OFF_SENT_WITHIN_S,
    Night,
    Short,
    cell_volts,
    judge,
    left_on,
    record_wrong,
    truly_off,
)
from night_wires import FOR_EVER, KINDS, LIES, ONCE, Fault, Obstinate, Wires, obstinate

from harness.clock import VirtualClock
from harness.config import load_bench
from harness.connect import Connection, connect
from harness.errors import UserError
from harness.folder import RunFolder
from harness.procedure import procedures
from harness.run import Home, Job, ProgramError, Watcher, prepare, run
from procedures import ceiling_trace
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

__all__ = [
    "FOR_EVER", "IDLE_OFF_SENT_WITHIN_S", "KINDS", "LIES", "NOTHING_ENERGISED", "NOT_OFF", "NO_CURRENT_A",
    "OFF_CONFIRMED", "OFF_SENT_WITHIN_S", "ONCE", "ON_A_PACK", "SCENARIO", "SHORT", "Fault", "Night", "Obstinate",
    "Short", "Wires", "cell_volts", "connected", "facts", "judge", "left_on", "obstinate", "quick", "record_wrong",
    "spend", "truly_off",
]  # fmt: skip

SCENARIO = "porch"

UPS_FLOOR = (
    "start_v=24", "floor_expected_v=20", "lowest_v=18", "coarse_step_v=4", "fine_step_v=4", "filter_s=0.1",
    "hold_s=0.5", "dwell_s=10", "mains_wait_s=1", "confirm_s=5", "idle_s=0",
)  # fmt: skip
UPS_CEILING = ("start_v=26.8", "step_v=0.4", "dwell_s=4", "mains_wait_s=1", "taper_wait_s=0", "off_most_s=5")

SHORT = {
    # 1.5 It from a nearly empty pack, and a charge of a nearly full one that ends well above its usual end current.
    "capacity": Short("capacity", 0.021, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": Short("charge", 0.995, ("amps=4", "end_amps=3"), "supply"),
    # One step of a second, ten times a second looked at.
    "c-rate": Short("c-rate", 0.5, ("rest_s=5", "step_s=1", "rates_it=0.5"), "load"),
    # One level held and one not, up again, mains again, and the same in steps as coarse; its own stops at 18 V.
    "voltage-floor": Short(
        "voltage-floor", 0.35, UPS_FLOOR, "supply", scenario="cabinet", fitted=("supply", "meter", "mains", "acload"),
        ons=(("supply", 1), ("mains", 2), ("acload", 1)),
    ),
    # The charger started by the supply, its knee, and two points of its constant-volts branch.
    "charge-ceiling": Short(
        "charge-ceiling", 0.35, UPS_CEILING, "load", scenario="cabinet", fitted=("supply", "load", "mains", "acload"),
        ons=(("supply", 1), ("load", 2), ("mains", 1), ("acload", 1)), points=(0.9, 0.4),
    ),
}  # fmt: skip

ON_A_PACK = ("capacity", "charge")
"""Those of them that take a pack all the way to an end."""


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


@functools.cache
def facts(short: Short) -> Scenario:
    """The scenario with the pack as full as the short night wants it, and a UPS that does not let itself be waited
    for."""
    return hurried(load_scenario(short.scenario), short)


def hurried(nominal: Scenario, short: Short) -> Scenario:
    """``nominal`` as the short night wants it."""
    cells = len(nominal.pack.start_share)
    spec = nominal.ups.spec
    charger = replace(spec.charger, delay_s=0.5, ramp_s=0.5)
    quick_ups = replace(spec, selftest_after_s=math.inf, ac_qualify_s=0.5, charger=charger)
    return replace(
        nominal,
        pack=replace(nominal.pack, start_share=(short.start_share,) * cells),
        ups=replace(nominal.ups, spec=quick_ups),
        fitted=short.fitted or nominal.fitted,
    )


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
    beside: Mapping[str, str] = MappingProxyType({}),
    scenario: Scenario | None = None,
    procedure: Any = None,
    patient: bool = False,
    seed: int | None = None,
) -> Night:
    """Run one short night and hand back how it went. ``each(n, sample)`` is called as the screen is; ``arrange`` may
    hang things on the bench before anything is said. ``beside``: files that stand beside the bench file, by name."""
    clock = clock or VirtualClock()
    bench = SimBench(scenario or facts(short), now=clock.now, seed=seed)
    wires = Wires(bench, clock, *(one for one in (fault, second) if one is not None))
    if arrange is not None:
        arrange(wires)
    files = Path(tempfile.mkdtemp(dir=out))
    _write_files(files, bench, bench_text, pack_text)
    for name, text in beside.items():
        (files / name).write_text(text, encoding="utf-8")
    said: list[str] = []
    watch = _Watch(each, said, patient)
    one = procedure or procedures()[short.procedure]
    job = Job(
        one,
        files / "bench.toml",
        files / "pack.toml" if one.subject == "pack" else None,
        sets=short.sets,
        out=files / "runs",
        home=Home(clock, wires),
        ups=files / "ups.toml" if one.subject == "ups" else None,
    )
    night = Night(short, -1, wires, clock, said, files=files)
    try:
        with _points(short.points or ceiling_trace.SHARES):
            night.done = run(prepare(job), watcher=watch)
        night.exit_code = night.done.exit_code
    except UserError as refusal:
        night.refusal, night.exit_code = refusal, refusal.exit_code
    except ProgramError as crash:
        night.crash, night.exit_code = crash, 1
    night.folder = watch.folder
    return night


def _write_files(
    files: Path, bench: SimBench, bench_text: Callable[[str], str], pack_text: Callable[[str], str]
) -> None:
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names}
    (files / "bench.toml").write_text(bench_text(bench.bench_toml(addresses, clock=None)), encoding="utf-8")
    (files / "pack.toml").write_text(pack_text(bench.pack_toml()), encoding="utf-8")
    (files / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")


@contextmanager
def _points(shares: tuple[float, ...]) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ceiling_trace, "SHARES", shares)
        yield


@contextmanager
def quick() -> Iterator[None]:
    """Thousands of nights need not wait for the disk, nor look up the installed packages each: what the disk holds
    after a power cut is tested elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _descriptor: None)
        patch.setattr(importlib.metadata, "version", functools.cache(importlib.metadata.version))
        yield


def connected(out: Path, short: Short, *, arrange: Callable[[Wires], None] | None = None) -> tuple[Wires, Connection]:
    """A simulated bench and live drivers on it, nothing switched on."""
    clock = VirtualClock()
    wires = Wires(SimBench(facts(short), now=clock.now, seed=None), clock)
    if arrange is not None:
        arrange(wires)
    place = Path(tempfile.mkdtemp(dir=out)) / "bench.toml"
    addresses = {name: f"sim:{short.scenario}/{name}" for name in wires.names}
    place.write_text(wires.bench.bench_toml(addresses, clock=None), encoding="utf-8")
    return wires, connect(load_bench(place), clock=clock, sim=wires)
