"""The energised part of a charge-ceiling probe: what the stand-in for the battery holds, one set-point after another.

It decides nothing about the charger; the folds do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.bench import Bench
from harness.block import Output
from harness.channels import Channels
from harness.setpoints import LEAST_AMPS
from procedures.ceiling_fold import (
    CC_SHARE,
    FLOW_SHARE,
    STAGE_V_CELL,
    ChargePoint,
    DrivenFold,
    PointFold,
    cc_branch,
    fallen,
    largest_a,
)
from procedures.ceiling_plan import SHARES, TAPER_SHARE, ChargeCeilingPlan
from procedures.mains_fold import MainsFold
from procedures.plans import settled
from procedures.stand_in import UpsRow, ups_row

TRACED = "traced"
NOT_STARTED = "charger did not start"
STOPPED = "charger stopped"
LOAD_LIMIT = "the load's own limit"
NO_TOP = "no end of the current up to the highest volts allowed"
OPEN_READ = "driven by charger, as looked for"
NOT_DRIVEN = "the charger did not drive the supply's node"

SAMPLES_A_DWELL = 10

QUICK_S = 1.5
"""No current for this long at a new level: it is looked for one level down, before a boost takes that for its end."""

HELD_SHARE = 0.9
"""Of a constant current that the load draws, the charger gives at least this, or it is off."""

PULSE_SHARE = 0.01
"""An inverter that tries its battery draws more than this share of its rating, even without a load (judgement)."""


@dataclass(slots=True)
class Traced:
    """What a probe left behind: points in order of time (V, A out of the charger) and how it ended."""

    channels: Channels
    drop_v: float
    points: list[ChargePoint] = field(default_factory=list)
    end_reason: str = ""
    on_mains: MainsFold | None = None
    driven: DrivenFold | None = None
    fell: bool = False
    boost_missed: bool = False
    taper_waited: bool = False
    helped_all_along: bool = False
    lost_s: float = 0.0
    temps: list[float] = field(default_factory=list)


def traced(bench: Bench, channels: Channels) -> Traced:
    """An empty one for this bench's UPS."""
    return Traced(channels, STAGE_V_CELL * bench.site.ups.cells_in_series)


@dataclass(slots=True)
class Trace:
    """The load in place of the battery."""

    bench: Bench
    battery: Output
    plan: ChargeCeilingPlan
    run: Traced
    helping: bool

    def all(self) -> None:
        """Everything; what came of it is in ``run``."""
        start_v = settled(self.plan.start_v)
        wait_on_mains(self.bench, self.plan, self.run)
        if self.helping and self.plan.help == "start":
            self.battery.help_off()
            self.helping = False
        self.run.helped_all_along = self.helping
        first = self.take(least_a=self.flow_a, off_most_s=self.plan.off_most_s)
        if first is None:
            self.run.end_reason = NOT_STARTED
            return
        self.run.points.append(first)
        if not self.up_to_the_knee(start_v):
            return
        self.branch()
        missed = self.run.boost_missed
        if not self.run.end_reason and not missed and (self.run.fell or self.wait_for_float()):
            self.branch()
        self.run.end_reason = self.run.end_reason or TRACED

    def up_to_the_knee(self, start_v: float) -> bool:
        """The constant-current branch by volts; whether its end was found."""
        step_v, top_v, points = settled(self.plan.step_v), self.bench.site.envelope.target_v, self.run.points
        before_v = start_v
        for number in range(1, math.ceil((top_v - start_v) / step_v - 1e-9) + 1):
            volts = min(round(start_v + number * step_v, 4), top_v)
            point = self.level(volts, QUICK_S)
            if point is None:
                return self.past_the_top(volts, before_v)
            points.append(point)
            if point.volts > volts + self.run.drop_v:
                self.run.end_reason = LOAD_LIMIT
                return False
            if point.amps < CC_SHARE * largest_a(points):
                return True
            before_v = volts
        self.run.end_reason = NO_TOP
        return False

    def level(self, volts: float, off_most_s: float) -> ChargePoint | None:
        """One level by volts; None when no current flows there for ``off_most_s``."""
        self.battery.set_volts(volts=volts)
        return self.take(least_a=self.flow_a, off_most_s=off_most_s)

    def past_the_top(self, volts: float, before_v: float) -> bool:
        """Nothing flows at ``volts``. At the level before it must flow again, at once or, after a self-test, later;
        else the charger has gone to a lower stage meanwhile, or is off."""
        for off_most_s in (QUICK_S, self.plan.off_most_s):
            point = self.level(before_v, off_most_s)
            if point is None:
                continue
            self.run.points.append(point)
            if off_most_s > QUICK_S and (above := self.level(volts, QUICK_S)) is not None:
                self.run.points.append(above)
                return above.amps < CC_SHARE * largest_a(self.run.points) or self.up_to_the_knee(volts)
            return True
        return self.look_lower(before_v)

    def look_lower(self, before_v: float) -> bool:
        """Whether it gives current again at lower volts: then its boost is over, and float is what is left to trace."""
        step_v, volts = settled(self.plan.step_v), before_v
        while (volts := round(volts - step_v, 4)) >= settled(self.plan.start_v):
            point = self.level(volts, QUICK_S)
            if point is not None:
                self.run.points.append(point)
                self.run.fell = self.run.boost_missed = True
                return True
        self.run.end_reason = STOPPED
        return False

    def branch(self) -> None:
        """The constant-volts branch by amps, from its knee to little current."""
        limit_a = self.limit_a
        for share in SHARES:
            amps = share * limit_a
            if not amps >= LEAST_AMPS:
                break
            self.battery.set_amps(amps=amps)
            least_a = max(0.3 * amps, HELD_SHARE * amps - 2.0 * self.doubt_a(amps))
            point = self.take(least_a=least_a, drop_v=self.run.drop_v)
            if point is None:
                self.run.end_reason = STOPPED
                return
            fell = fallen(self.run.points, point, drop_v=self.run.drop_v)
            self.run.points.append(point)
            if fell:
                if not self.run.fell and share < SHARES[0]:
                    # What is left of the branch belongs to float: it is taken from its beginning.
                    self.run.fell = True
                    return
                self.run.fell = True

    def wait_for_float(self) -> bool:
        """Draw little and see whether the volts fall by a stage."""
        if not self.plan.taper_wait_s > 0:
            return False
        self.run.taper_waited = True
        self.battery.set_amps(amps=max(LEAST_AMPS, TAPER_SHARE * self.limit_a))
        began_s, highest_v, low = self.bench.elapsed(), -math.inf, 0
        for row in self.rows():
            if math.isfinite(row.volts):
                highest_v = max(highest_v, row.volts)
                low = low + 1 if row.volts < highest_v - self.run.drop_v else 0
                self.run.fell = low >= 2  # a single low reading is no stage
            if self.run.fell or row.t_s - began_s >= self.plan.taper_wait_s:
                break
        return self.run.fell

    @property
    def flow_a(self) -> float:
        """Least current that is one: more than an ammeter's offset, and than next to nothing of what flowed before."""
        return max(LEAST_AMPS, FLOW_SHARE * largest_a(self.run.points), 2.0 * self.doubt_a(0.0))

    def doubt_a(self, amps: float) -> float:
        """How far the load may be off ``amps``, A, setting or reading."""
        entry = self.bench.site.bench.one("load")
        return 0.0 if entry is None else entry.amps_accuracy.half_width(amps)

    @property
    def limit_a(self) -> float:
        """The charger's limit by what was read so far, A."""
        branch = cc_branch(self.run.points)
        return sum(one.amps for one in branch) / len(branch)

    def take(self, *, least_a: float, drop_v: float = math.inf, off_most_s: float | None = None) -> ChargePoint | None:
        """One point at what is set; None when the charger gave nothing for too long."""
        off_s = self.plan.off_most_s if off_most_s is None else off_most_s
        fold = PointFold(self.bench.elapsed(), self.plan.dwell_s, least_a=least_a, off_most_s=off_s, drop_v=drop_v)
        for row in self.rows():
            fold.push(row.t_s, row.volts, self.charging_a(row))
            if fold.done:
                break
        self.run.lost_s += fold.lost_s
        return None if fold.empty else fold.point

    def charging_a(self, row: UpsRow) -> float:
        """What the charger gives, A: what the load takes, and what the idle supply drains."""
        drain = 0.0 if self.helping else self.run.channels.drain_beside(volts=row.volts, hours=1.0).ah
        return drain - row.amps

    def rows(self) -> Iterator[UpsRow]:
        """Endless rows, fast enough for a dwell."""
        return rows(self.bench, self.plan, self.run)


def rows(bench: Bench, plan: ChargeCeilingPlan, run: Traced) -> Iterator[UpsRow]:
    """Endless rows, fast enough for a dwell; the room's temperature is kept beside."""
    for sample in bench.samples(every_s=min(bench.period_s, plan.dwell_s / SAMPLES_A_DWELL)):
        temps = [value for name, value in sample.readings.items() if name.endswith("_temp_c") and math.isfinite(value)]
        run.temps.extend(temps[:1])
        yield ups_row(sample)


def wait_on_mains(bench: Bench, plan: ChargeCeilingPlan, run: Traced) -> None:
    """Mains on, and wait until all that begins with it is over; self-tests are passed over here."""
    for _ in bench.mains(on=True):
        pass
    fold = run.on_mains = MainsFold(
        bench.elapsed(), pulse_w=PULSE_SHARE * bench.site.ups.rated_w, wait_s=plan.mains_wait_s
    )
    for row in rows(bench, plan, run):
        fold.push(row)
        if fold.done:
            return


def read_open(bench: Bench, plan: ChargeCeilingPlan, run: Traced) -> None:
    """The supply in place of the battery: wait until the charger drives its node, read the volts it comes to."""
    wait_on_mains(bench, plan, run)
    fold = run.driven = DrivenFold()
    began_s = bench.elapsed()
    for row in rows(bench, plan, run):
        fold.push(row.t_s, row.volts, row.mode)
        if fold.steady:
            run.end_reason = OPEN_READ
            return
        if row.t_s - began_s >= plan.off_most_s + fold.length_s:
            run.end_reason = NOT_DRIVEN
            return
