"""The energised part of a voltage-floor sweep: which volts are set when, and when mains and AC load are switched.

It decides nothing about what the UPS does; the folds do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from harness.channels import LEAD_SHARE, Channels
from harness.sample import Sample
from harness.site import Site
from procedures.floor_figures import Swept
from procedures.floor_fold import CUT_OFF, LIMIT_SHARE, NOT_REACHED, RUNS_SHARE, SUPPLY_LIMIT, FloorFold
from procedures.floor_plan import CURRENT_MARGIN, VoltageFloorPlan
from procedures.mains_fold import IdleFold, MainsFold, RestartFold
from procedures.plans import settled
from procedures.stand_in import Level, UpsRow, ups_row, volts_at_ups

SAMPLES_A_DWELL = 10
OFF_SHARE = 0.005
"""A UPS that draws less than this share of its rating, without a load, is off (judgement)."""
SLACK_V = 0.03
"""Noise and the steps of displays, on top of what the instruments' accuracies allow (judgement)."""


class Overdrawn(Exception):
    """Something else than the UPS under test draws: the sweep is over."""


class Steered(Protocol):
    """What is told its volts (V) and amps (A): the stand-in, or what a record says it was told."""

    def set_volts(self, *, volts: float) -> None: ...
    def set_amps(self, *, amps: float) -> None: ...


class BenchLike(Protocol):
    """What a sweep asks of a bench: one that is there, or the record of one."""

    @property
    def site(self) -> Site: ...
    @property
    def period_s(self) -> float: ...
    def elapsed(self) -> float: ...
    def can_switch(self, what: str) -> str: ...
    def samples(self, *, every_s: float | None = None, for_s: float | None = None) -> Iterator[Sample]: ...
    def mains(self, *, on: bool) -> Iterator[Sample]: ...
    def ac_load(self, *, on: bool) -> Iterator[Sample]: ...


@dataclass(slots=True)
class Sweep:
    """The energised part, in order. Methods that return bool say whether the UPS still runs on the stand-in."""

    bench: BenchLike
    supply: Steered
    plan: VoltageFloorPlan
    run: Swept
    set_amps: float
    set_v: float = math.nan

    def all(self) -> None:
        """Everything; what came of it is in ``run``."""
        with suppress(Overdrawn):  # why is in the run
            self._all()

    def _all(self) -> None:
        run, start_v = self.run, self.start_v
        self.loaded()
        self.onto_battery()
        run.first = self.fold()
        if not self.hold(run.first, start_v) or not self.enough_current(run.first):
            return
        running = self.idle()
        if settled(self.plan.highest_v) > start_v:
            running = self.up(running)
        if not running:
            self.onto_battery()
        run.coarse = self.fold()
        if self.hold(run.coarse, start_v):
            self.down(run.coarse, start_v, settled(self.plan.coarse_step_v), self.lowest_v)
        if run.coarse.end_reason == CUT_OFF:
            self.fine(run.coarse)

    def fine(self, coarse: FloorFold) -> None:
        """Back on the inverter, and down again in small steps from the last level that was held."""
        good, bad = coarse.last_good, coarse.level
        assert good is not None
        assert bad is not None
        if not self.raise_back(bad.set_v):
            self.onto_battery()
        self.fine_down(good=good, bad=bad)

    def fine_down(self, *, good: Level, bad: Level) -> None:
        """Small steps from a level that was held to one that was not, and to one coarse step under it."""
        fold = self.run.fine = self.fold()
        if self.hold(fold, self.start_v) and self.hold(fold, good.set_v):
            self.down(fold, good.set_v, settled(self.plan.fine_step_v), self.fine_lowest_v(bad))

    def fine_lowest_v(self, bad: Level) -> float:
        """Where the fine steps end at the latest, V."""
        return max(self.lowest_v, bad.set_v - settled(self.plan.coarse_step_v))

    # -- its parts ---------------------------------------------------------------------------------------------------

    @property
    def start_v(self) -> float:
        return settled(self.plan.start_v)

    @property
    def lowest_v(self) -> float:
        return settled(self.plan.lowest_v)

    @property
    def watts(self) -> float:
        """Power expected of the inverter, W: measured once a level was held."""
        first = self.run.first
        return first.expected_w if first is not None and first.held else settled(self.plan.power_expected_w)

    def fold(self) -> FloorFold:
        """A fold for one staircase."""
        return FloorFold(
            set_amps=self.set_amps,
            expected_w=self.watts,
            lead_ohm=self.run.lead_ohm,
            tolerance_v=tolerance_v(self.bench.site, self.run.channels, amps=self.set_amps),
            dwell_s=settled(self.plan.dwell_s),
            confirm_s=self.plan.confirm_s,
        )

    def rows(self) -> Iterator[UpsRow]:
        """Endless rows, fast enough for a dwell."""
        every_s = min(self.bench.period_s, settled(self.plan.dwell_s) / SAMPLES_A_DWELL)
        for sample in self.bench.samples(every_s=every_s):
            yield self.row(sample)

    def row(self, sample: Sample) -> UpsRow:
        """The row of a sample. Raises ``Overdrawn`` once more flows than this UPS draws."""
        row, over = ups_row(sample), self.run.overdraw
        self.run.abnormal.push(row)
        over.push(row, expected_w=self.watts)
        if over.reason:
            raise Overdrawn(over.reason)
        return row

    def see(self, samples: Iterable[Sample]) -> None:
        """Samples that are only waited through."""
        for sample in samples:
            self.row(sample)

    def set(self, volts: float) -> float:
        """Tell the supply ``volts``; the time of it."""
        if volts != self.set_v:
            self.supply.set_volts(volts=volts)
            self.set_v = volts
        return self.bench.elapsed()

    def loaded(self) -> None:
        """The load that its output is to carry, where the UPS file says that there is one."""
        if self.bench.can_switch("ac-load") and self.bench.site.ups.ac_load_w != 0:
            self.see(self.bench.ac_load(on=True))

    def onto_battery(self) -> None:
        """Start on mains, wait until all it does there is over, take mains away."""
        self.set(self.start_v)
        for sample in self.bench.mains(on=True):
            # What flows before mains is there the bench itself watches.
            self.run.abnormal.push(ups_row(sample))
        fold = MainsFold(self.bench.elapsed(), pulse_w=RUNS_SHARE * self.watts, wait_s=self.plan.mains_wait_s)
        self.run.on_mains.append(fold)
        for row in self.rows():
            fold.push(row)
            if fold.done:
                break
        self.see(self.bench.mains(on=False))

    def hold(self, fold: FloorFold, volts: float) -> bool:
        """One level for its dwell."""
        fold.begin(set_v=volts, t_s=self.set(volts))
        for row in self.rows():
            fold.push(row)
            if fold is self.run.coarse:
                self.run.warn.push(row)
            if fold.decided or fold.level_done:
                break
        return not fold.decided

    def down(self, fold: FloorFold, from_v: float, step_v: float, lowest_v: float) -> None:
        """Level by level until the fold has decided, or there is nowhere left to go."""
        steps = 1
        while (volts := round(from_v - steps * step_v, 4)) >= lowest_v - 1e-9:
            at_ups = volts_at_ups(set_v=volts, watts=fold.expected_w, ohm=self.run.lead_ohm)
            if not fold.expected_w / at_ups <= LIMIT_SHARE * self.set_amps:
                fold.give_up(SUPPLY_LIMIT, t_s=self.bench.elapsed())
                return
            if not self.hold(fold, volts):
                return
            steps += 1
        fold.give_up(NOT_REACHED, t_s=self.bench.elapsed())

    def enough_current(self, fold: FloorFold) -> bool:
        """Whether the supply can carry the power that was measured down to the floor; its limit is raised for it as
        far as the bench allows."""
        fold.give_up(NOT_REACHED, t_s=self.bench.elapsed())
        needed = CURRENT_MARGIN * fold.expected_w / settled(self.plan.floor_expected_v)
        if needed > self.bench.site.envelope.charge_amps_max:
            fold.end_reason = SUPPLY_LIMIT
            return False
        if needed > self.set_amps:
            self.supply.set_amps(amps=needed)
            self.set_amps = needed
        return True

    def idle(self) -> bool:
        """Its draw without an AC load, where that can be switched."""
        if not self.plan.idle_s > 0:
            self.run.idle_why = "left out by the plan (idle_s = 0)"
            return True
        if not self.bench.can_switch("ac-load"):
            self.run.idle_why = "nobody and nothing switches the AC load on this bench"
            return True
        self.see(self.bench.ac_load(on=False))
        fold = self.run.idle = IdleFold(
            self.bench.elapsed(), for_s=self.plan.idle_s, off_w=OFF_SHARE * self.bench.site.ups.rated_w
        )
        for row in self.rows():
            fold.push(row)
            if fold.done:
                break
        self.see(self.bench.ac_load(on=True))
        if fold.went_off:
            self.run.idle_why = "without an AC load it switched itself off"
        return not fold.went_off

    def up(self, running: bool) -> bool:
        """Levels above the start, until something is abnormal or the highest is held; then back."""
        start_v, highest_v = self.start_v, settled(self.plan.highest_v)
        step_v = settled(self.plan.coarse_step_v)
        if not running:
            self.onto_battery()
        fold = self.run.up = self.fold()
        count = math.ceil((highest_v - start_v) / step_v - 1e-9)
        for number in range(count + 1):
            held = self.hold(fold, min(highest_v, round(start_v + number * step_v, 4)))
            if not held or self.run.abnormal.how:
                break
        fold.give_up(NOT_REACHED, t_s=self.bench.elapsed())
        self.set(start_v)
        return fold.end_reason == NOT_REACHED

    def raise_back(self, from_v: float) -> bool:
        """Raise the volts with mains away; whether it has started by itself."""
        near_v = tolerance_v(self.bench.site, self.run.channels, amps=0.0)
        fold = self.run.restart = RestartFold(self.watts, settled(self.plan.dwell_s), near_v)
        step_v = settled(self.plan.coarse_step_v)
        count = math.ceil((self.start_v - from_v) / step_v - 1e-9)
        for number in range(count + 1):
            volts = min(self.start_v, round(from_v + number * step_v, 4))
            fold.begin(set_v=volts, t_s=self.set(volts))
            for row in self.rows():
                fold.push(row)
                if fold.decided or fold.level_done:
                    break
            if fold.decided:
                break
        return fold.restarted


def lead_ohm(site: Site) -> float:
    """Between the volts the supply holds and the UPS, ohm; 0 with sense leads."""
    entry = site.bench.one("supply")
    return 0.0 if entry is None or entry.sense == "remote" else entry.lead_ohm or 0.0


def tolerance_v(site: Site, channels: Channels, *, amps: float) -> float:
    """How far the volts read at the UPS may be from those set less the leads' drop, V."""
    entry = site.bench.one("supply")
    assert entry is not None
    volts = site.envelope.target_v
    place = next(e for e in site.bench.instruments if e.name == channels.place.name)
    instruments = entry.volts_accuracy.half_width(volts) + place.volts_accuracy.half_width(volts)
    return instruments + 2 * LEAD_SHARE * amps * lead_ohm(site) + SLACK_V
