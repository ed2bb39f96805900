"""What a judge needs of a simulated bench beside what it is told: a world that remembers its peaks, a clock and a disk
that can be spoilt at a moment of one's own."""

from __future__ import annotations

import errno
import io
import math
import os
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from harness.clock import VirtualClock
from harness.durable import RawFile
from sims.world import World

FLOWS_A = 0.03
"""With everything off only an idle supply's bleed of some milliamperes flows."""


@dataclass(slots=True)
class Peaks:
    """What the world has been through since ``clear``. Volts at the node and over each cell, V; currents, A, the pack's
    either way; ``reverse_c``, A s, is the charge that flowed into the supply. ``ups_node_v`` is the most while the
    supply or the load was on the node with a UPS."""

    node_v: float = -math.inf
    cell_least_v: float = math.inf
    cell_most_v: float = -math.inf
    pack_a: float = 0.0
    load_a: float = 0.0
    supply_a: float = 0.0
    reverse_c: float = 0.0
    over_vs: float = 0.0
    """Volts of the node over ``base_v``, by the time they were there, V s."""
    flowed_c: float = 0.0
    """What supply and load have moved, both added up, A s."""
    base_v: float = math.inf
    cold_charge_c: float = 0.0
    """Charge that went into the pack while it was below 0 degC, A s."""
    hottest_c: float = -math.inf
    ons: list[tuple[float, str]] = field(default_factory=list)
    """Every time supply or load went on, and which."""
    held: list[tuple[object, ...]] = field(default_factory=list)
    """What supply and load were set to each time one of them went on."""
    last_on_s: float = -math.inf
    _on: dict[str, bool] = field(default_factory=dict)
    _t: float = 0.0

    def clear(self) -> None:
        """Forget all but what is on now and when it was switched on."""
        fresh = Peaks()
        names = ("node_v", "cell_least_v", "cell_most_v", "pack_a", "load_a", "supply_a", "reverse_c")
        for name in (*names, "over_vs", "flowed_c", "hottest_c"):
            setattr(self, name, getattr(fresh, name))

    def follow(self, world: World) -> None:
        """Take in the world as it is now."""
        flows, passed = world._flows(), world.t - self._t
        self._t = world.t
        for name, on in (("supply", world.supply.output_on), ("load", world.load.input_on)):
            if on and not self._on.get(name, False):
                self.ons.append((world.t, name))
                self.held.append(set_to(world))
            if on:
                self.last_on_s = world.t
            self._on[name] = on
        self.node_v = max(self.node_v, flows.node_volts)
        self.pack_a = max(self.pack_a, abs(flows.pack_amps))
        self.load_a = max(self.load_a, flows.load_amps)
        self.supply_a = max(self.supply_a, flows.supply_amps)
        self.over_vs += max(0.0, flows.node_volts - self.base_v) * passed
        self.flowed_c += (abs(flows.supply_amps) + abs(flows.load_amps)) * passed
        if world.supply.output_on:
            self.reverse_c += max(0.0, -flows.supply_amps) * passed
        pack = world._on_node[0]
        if pack is not None:
            cells = pack.cell_volts(pack.sign * flows.pack_amps)
            self.cell_least_v, self.cell_most_v = min(self.cell_least_v, *cells), max(self.cell_most_v, *cells)
            coldest_c = min(pack.temp_c_each)
            self.hottest_c = max(self.hottest_c, *pack.temp_c_each)
            if coldest_c < 0.0:
                self.cold_charge_c += max(0.0, -pack.sign * flows.pack_amps) * passed


def set_to(world: World) -> tuple[object, ...]:
    """Function, set-points and own stops of supply and load, and where each takes its volts. Of the load only what its
    function makes use of."""
    supply, load = world.supply, world.load
    load_set = load.amps_set if load.function == "cc" else load.volts_set
    return (
        *(supply.volts_set, supply.amps_set, supply.over_volts, supply.over_amps_enabled, supply.remote_sense),
        *(load.function, load_set, load.low_volts, load.low_volts_delay_s, load.remote_sense),
    )


class Traced(World):
    """A world that shows every step it takes to ``peaks``."""

    peaks: Peaks

    def _take(self, step: Any, t_s: float) -> None:
        super()._take(step, t_s)
        self.peaks.follow(self)


def traced(world: World) -> Peaks:
    """Have a world remember its peaks from now on."""
    world.__class__ = Traced
    world.peaks = Peaks()  # type: ignore[attr-defined]
    return world.peaks  # type: ignore[attr-defined, no-any-return]


class SpoiltClock(VirtualClock):
    """A virtual clock whose machine may fall asleep, whose calendar may be set; with ``runs`` machine time is bench
    time, as it is on real instruments."""

    def __init__(self, *, runs: bool) -> None:
        super().__init__()
        self.runs_by_itself = runs
        self.asleep_s = self.set_by_s = 0.0

    def wall(self) -> float:
        return self.now() if self.runs_by_itself else super().wall()

    def slept_s(self) -> float:
        return self.asleep_s

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.asleep_s + self.set_by_s)

    def pass_by(self, seconds: float) -> None:
        """Time goes by, whether anybody wants to be stopped or not."""
        self._now += seconds


class SpoiltDisk:
    """Opens the files of a record; from ``full`` on nothing more goes to any of them."""

    def __init__(self) -> None:
        self.full = False
        self.refused = 0

    def __call__(self, path: Path) -> RawFile:
        disk = self

        class File(io.FileIO):
            def write(self, data: Any, /) -> int:
                if disk.full:
                    disk.refused += 1
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return super().write(data)

        return File(path, "xb")
