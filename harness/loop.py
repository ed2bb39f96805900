"""One turn of the sampling loop: read, make the sample, count the charge, judge."""

from __future__ import annotations

import math
from dataclasses import replace

from harness.block import STATE_WORDS, Block
from harness.clock import Clock
from harness.drift import StateKeeper
from harness.findings import Finding, Watch
from harness.interlocks import Interlocks
from harness.rig import Rig, Turn
from harness.sample import Sample

STALL_WALL_S = 0.5
"""On a clock that runs faster than the machine: how long the machine may stall, s of real time."""

GAP_S = 3.0


class Loop:
    """Makes samples and findings; decides and writes nothing. ``start_s`` is bench time at ``elapsed_s`` 0."""

    def __init__(self, *, rig: Rig, clock: Clock, interlocks: Interlocks, period_s: float) -> None:
        self.rig, self.clock, self.interlocks, self.period_s = rig, clock, interlocks, period_s
        self.states = StateKeeper(rig)
        self.start_s = clock.now()
        self.charge_ah = 0.0
        self.energy_wh = 0.0
        self.last: Sample | None = None
        self.errors: tuple[str, ...] = ()
        self._turn: Turn | None = None
        self._gap_limit_s = self._gap_limit()

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.clock.now() - self.start_s

    def look(self, block: Block) -> tuple[Sample, Finding | None]:
        """Read every instrument once, make the sample, judge it."""
        began, wall = self.elapsed(), self.clock.wall()
        turn = self.rig.read()
        # Half-way through the reading: with slow instruments a turn takes a good part of a second.
        stamp = 0.5 * (began + self.elapsed())
        drift = self.states.check(period_s=self.period_s)
        turn_wall_s = self.clock.wall() - wall
        self._turn = turn
        self.errors = (*turn.errors, *self.states.errors)
        self.states.errors = []
        sample = self._count(self._sample(turn, block, stamp), block)
        gap_s = 0.0 if self.last is None else sample.elapsed_s - self.last.elapsed_s
        watch = replace(
            self.watch(block),
            gap_s=gap_s,
            turn_wall_s=turn_wall_s,
            drift=drift,
            lost="; ".join(self.errors) or None,
        )
        self.last = sample
        return sample, self.interlocks.judge(sample, watch)

    def _sample(self, turn: Turn, block: Block, elapsed_s: float) -> Sample:
        amps = {"source": -turn.supply_amps, "sink": turn.load_amps, "rest": turn.pack_amps}[block.phase]
        if block.phase == "sink" and math.isnan(block.step_ohm) and amps > 0.5 * block.set_amps:
            block.step_ohm = (block.volts_before_on - turn.pack_volts) / amps
        now = self.clock.utc()
        return Sample(
            elapsed_s=elapsed_s,
            utc=f"{now:%Y-%m-%dT%H:%M:%S}.{now.microsecond // 1000:03d}Z",
            state=STATE_WORDS[block.phase],
            pack_volts=turn.pack_volts,
            pack_amps=amps,
            charge_ah=self.charge_ah,
            energy_wh=self.energy_wh,
            pack_temp_c=turn.pack_temp_c,
            readings=turn.readings,
            flags=turn.flags,
        )

    def _count(self, sample: Sample, block: Block) -> Sample:
        """Net charge and energy of the run by the trapezoid; with everything off a meter's offset is not charge.

        A missing current is bridged with its neighbour's: these are running figures for screen and interlocks, the
        procedure's own counter treats gaps with bounds.
        """
        last = self.last
        if last is None or block.phase == "rest":
            return sample
        began = max(last.elapsed_s, block.began_s)
        amps = sample.pack_amps
        before = last.pack_amps if last.state == sample.state else amps
        known = [value for value in (amps, before) if not math.isnan(value)]
        if known:
            charge_ah = sum(known) / len(known) * max(0.0, sample.elapsed_s - began) / 3600.0
            self.charge_ah += charge_ah
            self.energy_wh += charge_ah * (0.0 if math.isnan(sample.pack_volts) else sample.pack_volts)
            block.charge_ah += abs(charge_ah)
        return replace(sample, charge_ah=self.charge_ah, energy_wh=self.energy_wh)

    def watch(self, block: Block) -> Watch:
        """What the bench is doing, as interlocks and the screen see it."""
        turn = self._turn
        assert turn is not None
        source = block.phase == "source"
        return Watch(
            phase=block.phase,
            procedure=self.interlocks.procedure,
            set_amps=block.set_amps,
            set_volts=block.set_volts,
            block_s=self.elapsed() - block.began_s,
            longest_s=block.longest_s,
            block_charge_ah=block.charge_ah,
            active_amps=turn.supply_amps if source else turn.load_amps,
            active_volts=turn.supply_volts if source else turn.pack_volts,
            gap_limit_s=self._gap_limit_s,
        )

    def _gap_limit(self) -> float:
        if not self.clock.runs_by_itself:
            return math.inf
        speed = float(getattr(self.clock, "speed", 1.0))
        if speed > 1.0:
            return max(3.0 * self.period_s, STALL_WALL_S * speed)
        # Three periods or 3 s, whichever is the longer: at short periods a moment's stall is no danger.
        return max(3.0 * self.period_s, GAP_S)
