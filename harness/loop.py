"""One turn of the sampling loop: read, make the sample, count the charge, judge."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import Any

from harness.block import ACTIVE, STATE_WORDS, Block
from harness.clock import Clock
from harness.drift import StateKeeper
from harness.findings import Finding, Watch
from harness.interlock import middle
from harness.interlocks import Interlocks
from harness.outside import Outside
from harness.outside_now import outside_of
from harness.reading import Turn
from harness.rig import Rig
from harness.sample import Sample
from harness.voltmeters import BASE_OF, Seen, Voltmeters
from harness.witness import Before

STALL_WALL_S = 0.5
"""On a clock that runs faster than the machine: how long the machine may stall, s of real time."""

GAP_S = 3.0

STEP_WITHIN_S = 2.5
"""The step at switch-on is read off samples no later than this, s: later ones hold what builds up in minutes."""

GONE_SHARE = 0.05
"""Under this share of the set current nothing flows to speak of."""

CV_SHARE, CV_AMPS = 0.97, 0.050
"""A charge is at constant volts when its current is under its limit by more than these together."""

REMEMBERED = 3
"""Samples looked back on for what was known before off: the last may be the one in which everything went missing."""


class Loop:
    """Makes samples and findings; decides and writes nothing. ``start_s`` is bench time at ``elapsed_s`` 0."""

    def __init__(self, *, rig: Rig, clock: Clock, interlocks: Interlocks, period_s: float) -> None:
        self.rig, self.clock, self.interlocks, self.period_s = rig, clock, interlocks, period_s
        self.states = StateKeeper(rig)
        self.start_s = clock.instant()
        self.charge_ah = 0.0
        self.energy_wh = 0.0
        self.last: Sample | None = None
        self._recent: deque[Sample] = deque(maxlen=REMEMBERED)
        self.errors: tuple[str, ...] = ()
        self.warnings: tuple[str, ...] = ()
        self.record_state: Callable[[], tuple[float, float]] = lambda: (0.0, math.inf)
        """Age of the oldest row that is not on the disk, s, and bytes left there."""
        self._voltmeters = Voltmeters(rig)
        self._seen = Seen()
        self._temps = self._other_thermometers()
        self._turn: Turn | None = None
        self._gap_limit_s = self._gap_limit()
        self._looked_wall_s = clock.wall()
        self.guard_silent_s: Callable[[], float] = lambda: 0.0
        """How long the guard has owed an answer, s of machine time."""
        self.guard_astray: Callable[[], str] = lambda: ""
        """Words for an instrument that is not any more where the guard would switch it off."""
        self.nobody_s: Callable[[], float] = lambda: 0.0
        """How long nobody has shown that they are there, s of bench time; always 0 where nobody need be."""
        self.watched_for = ""

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.clock.now() - self.start_s

    def instant(self) -> float:
        """The same, for what goes into a figure or the record."""
        return self.clock.instant() - self.start_s

    @property
    def pack_temp_c(self) -> float:
        """The pack's temperature in the last sample, degC; nan when there is none."""
        return math.nan if self.last is None else self.last.pack_temp_c

    @property
    def unwatched_s(self) -> float:
        """How long ago the last sample was, s of bench time."""
        return math.inf if self.last is None else self.elapsed() - self.last.elapsed_s

    @property
    def unwatched_wall_s(self) -> float:
        """How long ago the last turn of reading began, s of machine time."""
        return self.clock.wall() - self._looked_wall_s

    @property
    def gap_most_s(self) -> float:
        """How long nobody may look at an energised bench, s of bench time, on every clock."""
        return self._gap_limit_s if math.isfinite(self._gap_limit_s) else max(3.0 * self.period_s, GAP_S)

    def look(self, block: Block) -> tuple[Sample, Finding | None]:
        """Read every instrument once, make the sample, judge it."""
        began, self._looked_wall_s = self.elapsed(), self.clock.wall()
        turn = self.rig.read(wall=self.clock.wall, tape=self.clock.tape)
        # Half-way through the reading: with slow instruments a turn takes a good part of a second.
        stamp = 0.5 * (began + self.elapsed())
        drift = self.states.check(period_s=self.period_s, dead=turn.dead, doubt=self._doubt(turn, block))
        turn_wall_s = self.clock.wall() - self._looked_wall_s
        outside = self.clock.tape.turn(outside_of(self, turn, stamp, turn_wall_s=turn_wall_s))
        self._turn = turn
        self._seen = self._voltmeters.look(turn, block)
        self._count_cv(turn, block, outside.stamp_s)
        now_wrong = (*turn.errors, *self.states.errors)
        self.errors += now_wrong
        self.states.errors = []
        sample = self._sample(turn, block, outside)
        # Switching off and proving it may take longer than a gap may last; nothing is energised meanwhile.
        gap_s = 0.0 if self.last is None else sample.elapsed_s - max(self.last.elapsed_s, block.began_s)
        watch = self.watch(
            block,
            elapsed_s=outside.now_s - self.start_s,
            gap_s=gap_s,
            turn_wall_s=outside.turn_wall_s,
            call_wall_s=outside.call_wall_s,
            drift=drift,
            own_stop=self.states.own_stop,
            expired=self.states.expired,
            unread=self.states.unread,
            lost="; ".join(now_wrong) or None,
            guard_silent_s=outside.guard_silent_s,
            guard_astray=outside.guard_astray,
            record_age_s=outside.record_age_s,
            disk_free_bytes=outside.disk_free_bytes,
            unwatched_s=outside.unwatched_s,
            watched_for=self.watched_for,
        )
        self.last = sample
        self._recent.append(sample)
        finding = self.interlocks.judge(sample, watch)
        self.warnings += self.interlocks.warnings()
        return sample, finding

    def _count_cv(self, turn: Turn, block: Block, stamp_s: float) -> None:
        """A charge whose current is not at its limit is held by its volts. A current that is missing counts as well:
        the time at constant volts must not be told too short."""
        if block.phase != "source" or self.last is None:
            return
        if not (turn.supply_amps >= CV_SHARE * block.set_amps - CV_AMPS):
            block.cv_s += max(0.0, stamp_s - max(self.last.elapsed_s, block.began_s))

    def _other_thermometers(self) -> tuple[str, str]:
        """Columns of the room's thermometer and of a second one on the pack, "" for none."""
        found = {"ambient": "", "pack": ""}
        for entry in self.rig.bench_file.instruments:
            if entry.role == "thermometer" and entry.name != self.rig.temp_name and not found.get(entry.measures, "x"):
                found[entry.measures] = f"{entry.name}_temp_c"
        return found["ambient"], found["pack"]

    def _doubt(self, turn: Turn, block: Block) -> str | None:
        """Whose current has all but gone, or fallen by more than half since the last sample: it may be off, or told
        otherwise, and that must be known before anybody decides what it means."""
        if block.phase == "rest":
            return None
        sinks = ACTIVE[block.phase] == "load"
        name, amps = (self.rig.load_name, turn.load_amps) if sinks else (self.rig.supply_name, turn.supply_amps)
        last = self.last
        if self.rig.subject == "ups":
            # A UPS draws what it wants, and nothing at all on mains: only a current that has just gone is in doubt.
            fell = last is not None and last.state == STATE_WORDS[block.phase] and amps < 0.5 * abs(last.pack_amps)
            return name if fell else None
        before = abs(last.pack_amps) if last is not None and last.state == STATE_WORDS[block.phase] else 0.0
        return name if amps < max(GONE_SHARE * block.set_amps, 0.5 * before) else None

    def before(self, block: Block) -> Before:
        """What is known just before ``block`` is switched off, from the last few samples under its current.

        Of the volts the one farthest from where they would go once it is off: in the last sample the instrument may
        have been off already when the volts were read, though not when the current was. Of the currents the least: a
        false reading must not make a step be waited for that never comes.
        """
        if block.phase == "rest":
            return Before(phase="rest")
        if self.rig.subject == "ups":
            # No pack steps back here: what the node does afterwards is all there is to see.
            return Before(block.phase, mains=self.rig.switched.get("mains"))
        under = [sample for sample in self._recent if sample.state == STATE_WORDS[block.phase]]
        amps = [abs(sample.pack_amps) for sample in under if not math.isnan(sample.pack_amps)]
        volts = [sample.pack_volts for sample in under if not math.isnan(sample.pack_volts)]
        farthest = max(volts, default=math.nan) if block.phase == "source" else min(volts, default=math.nan)
        elsewhere = self._voltmeters.readings(self._turn) if self._turn is not None else {}
        return Before(block.phase, min(amps, default=math.nan), farthest, block.step_ohm, elsewhere=elsewhere)

    def _sample(self, turn: Turn, block: Block, outside: Outside) -> Sample:
        elapsed_s = outside.stamp_s
        by_phase = {"source": -turn.supply_amps, "sink": turn.load_amps, "stand-in": turn.supply_amps}
        if block.phase == "trace" and not block.helped:
            by_phase["trace"] = -turn.load_amps
        # What an instrument reads that is off is its offset, and no current.
        amps = by_phase.get(block.phase, turn.pack_amps) if turn.shunt_amps is None else turn.shunt_amps
        self._step(block, amps, turn.pack_volts, elapsed_s)
        self._count(block, amps, turn.pack_volts, elapsed_s)
        return Sample(
            elapsed_s=elapsed_s,
            utc=outside.utc,
            state=STATE_WORDS[block.phase],
            pack_volts=turn.pack_volts,
            pack_amps=amps,
            charge_ah=self.charge_ah,
            energy_wh=self.energy_wh,
            pack_temp_c=turn.pack_temp_c,
            readings=turn.readings,
            flags=turn.flags,
        )

    @staticmethod
    def _step(block: Block, amps: float, volts: float, elapsed_s: float) -> None:
        """The step at switch-on over the current. The least of the first few: one false reading must not make it so
        large that no step back would ever do."""
        if block.phase not in ("source", "sink") or not elapsed_s - block.began_s <= STEP_WITHIN_S:
            return
        sign = 1.0 if block.phase == "sink" else -1.0
        if sign * amps > 0.5 * block.set_amps:
            step_ohm = (block.volts_before_on - volts) / amps
            if math.isnan(block.step_ohm) or step_ohm < block.step_ohm:
                block.step_ohm = step_ohm

    def rested_volts(self, phase: str) -> float:
        """Pack volts at rest before ``phase``, V: of the last few those that make the step at switch-on least, for the
        same reason; nan when there are fewer than two."""
        known = [one.pack_volts for one in self._recent if one.state == "resting" and not math.isnan(one.pack_volts)]
        least = min if phase == "sink" else max
        return least(known) if len(known) > 1 else math.nan

    def _count(self, block: Block, amps: float, volts: float, elapsed_s: float) -> None:
        """Net charge and energy of the run by the trapezoid; with everything off a meter's offset is not charge.

        A missing current is bridged with its neighbour's: these are running figures for screen and interlocks, the
        procedure's own counter treats gaps with bounds.
        """
        last = self.last
        if last is None or block.phase == "rest":
            return
        began = max(last.elapsed_s, block.began_s)
        before = last.pack_amps if last.state == STATE_WORDS[block.phase] else amps
        known = [value for value in (amps, before) if not math.isnan(value)]
        if known:
            charge_ah = sum(known) / len(known) * max(0.0, elapsed_s - began) / 3600.0
            self.charge_ah += charge_ah
            self.energy_wh += charge_ah * (0.0 if math.isnan(volts) else volts)
            block.charge_ah += abs(charge_ah)

    def watch(self, block: Block, *, elapsed_s: float | None = None, **more: Any) -> Watch:
        """What the bench is doing, as interlocks and the screen see it, at ``elapsed_s`` (now); ``more`` are further
        fields."""
        turn = self._turn
        assert turn is not None
        source = ACTIVE.get(block.phase) == "supply"
        return Watch(
            phase=block.phase,
            procedure=self.interlocks.procedure,
            set_amps=block.set_amps,
            set_volts=block.set_volts,
            block_s=(self.elapsed() if elapsed_s is None else elapsed_s) - block.began_s,
            longest_s=block.longest_s,
            block_charge_ah=block.charge_ah,
            active_amps=turn.supply_amps if source else turn.load_amps,
            active_volts=turn.supply_volts if source else turn.pack_volts,
            load_volts=turn.far_volts if block.phase == "sink" else math.nan,
            node_volts=self._node_volts(turn),
            shunt_amps=self._seen_by_shunt(turn, block),
            gap_limit_s=self._gap_limit_s,
            volts_elsewhere=self._seen.volts,
            volts_doubt=self._seen.doubt,
            ambient_c=turn.readings.get(self._temps[0], math.nan),
            other_temp_c=turn.readings.get(self._temps[1], math.nan),
            lug_temp_c=turn.lug_temp_c,
            joint_ohm=self._seen.joint_ohm,
            joint_doubt_ohm=self._seen.joint_doubt_ohm,
            joint_before_ohm=middle(block.joint_first) if len(block.joint_first) == BASE_OF else math.nan,
            joint_declared_ohm=self._seen.joint_declared_ohm,
            step_ohm=block.step_ohm,
            cv_s=block.cv_s,
            **more,
        )

    @staticmethod
    def _seen_by_shunt(turn: Turn, block: Block) -> float | None:
        """The energised instrument's current by the shunt, positive in that instrument's direction, A."""
        if turn.shunt_amps is None or block.phase == "rest" or block.helped:
            return None
        return turn.shunt_amps if block.phase in ("sink", "stand-in") else -turn.shunt_amps

    def _node_volts(self, turn: Turn) -> float:
        """The most that any voltmeter on a UPS's node reads, V."""
        if self.rig.subject != "ups":
            return math.nan
        known = [volts for name, volts in turn.readings.items() if name.endswith("_volts") and volts == volts]
        return max(known, default=math.nan)

    def _gap_limit(self) -> float:
        if not self.clock.runs_by_itself:
            return math.inf
        speed = float(getattr(self.clock, "speed", 1.0))
        if speed > 1.0:
            return max(3.0 * self.period_s, STALL_WALL_S * speed)
        # Three periods or 3 s, whichever is the longer: at short periods a moment's stall is no danger.
        return max(3.0 * self.period_s, GAP_S)
