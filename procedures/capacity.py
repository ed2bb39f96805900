"""Charge a pack, rest it, discharge it at constant current to its end voltage: the charge it gave is its capacity.

The charge is counted from switch-on to the instant at which the end voltage is crossed, by the straight line between
the two samples around it, once the next sample confirms it. If the pack opens first, up to the last good sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

import msgspec

from harness.bench import Bench
from harness.channels import Channels, clock_line, figure, in_figure
from harness.errors import PlanRefused
from harness.limits import envelope
from harness.procedure import Forecast, Found, Procedure, Step
from harness.result import Condition, Figure
from harness.site import Site
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.charge import END_CURRENT as CHARGED
from procedures.charge import ChargePlan, forecast_charge, run_charge, settle_charge
from procedures.detectors import Tail
from procedures.discharge import PACK_OPENED, DischargeFold
from procedures.plans import Amps, It, Seconds, Volts

SETTLED_V_PER_S_CELL = 0.001 / 600.0
"""A rested cell: less than 1 mV in 10 min (judgement)."""

NOT_CHARGED = "pack opened while charging, not discharged"


class CapacityPlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to measure. Open keys (none) are taken from the pack file."""

    charge_first: Annotated[
        bool, msgspec.Meta(description="charge before the rest; false: the pack was charged by other means")
    ] = True
    rate_it: Annotated[It, msgspec.Meta(description="discharge rate; 0.2 It is the usual rating (IEC 61960-3)")] = 0.2
    end_v: Annotated[
        Volts | None, msgspec.Meta(description="end voltage at the pack; default the pack file's, or its chemistry's")
    ] = None
    end_at: Annotated[
        Literal["pack", "load"], msgspec.Meta(description="where the end voltage is looked for: pack or load terminals")
    ] = "pack"
    rest_s: Annotated[
        Seconds, msgspec.Meta(description="rest between charge and discharge; 1 h to 4 h in IEC 61960-3")
    ] = 3600.0
    rest_after_s: Annotated[Seconds, msgspec.Meta(description="rest after the discharge, for recovery_v")] = 600.0
    charge_amps: Annotated[Amps | None, msgspec.Meta(description="as amps of charge")] = None
    charge_volts: Annotated[Volts | None, msgspec.Meta(description="as volts of charge")] = None
    charge_end_amps: Annotated[Amps | None, msgspec.Meta(description="as end_amps of charge")] = None
    longest_s: Annotated[
        Seconds | None, msgspec.Meta(description="trip when the discharge takes longer; default 1.3 x rated")
    ] = None

    @property
    def charging(self) -> ChargePlan:
        """The plan of the charge that comes first."""
        return ChargePlan(amps=self.charge_amps, volts=self.charge_volts, end_amps=self.charge_end_amps)


@dataclass(slots=True)
class RestFold:
    """Mean of the last minute and slope of the last ten."""

    minute: Tail = field(default_factory=lambda: Tail(60.0))
    slope: Tail = field(default_factory=lambda: Tail(600.0))
    seconds: float = 0.0
    began_s: float = math.nan

    def push(self, t_s: float, volts: float) -> None:
        self.minute.push(t_s, volts)
        self.slope.push(t_s, volts)
        self.began_s = t_s if math.isnan(self.began_s) else self.began_s
        self.seconds = t_s - self.began_s

    def settled(self, *, cells: int) -> bool | None:
        """Whether the pack's volts moved less than 1 mV per cell in 10 min; ``None`` when the rest was shorter."""
        slope = self.slope.slope_per_s
        if self.seconds < 540.0 or math.isnan(slope):
            return None
        return abs(slope) < SETTLED_V_PER_S_CELL * cells


def capacity(bench: Bench, *, plan: CapacityPlan) -> Found:
    """Measure the pack's capacity by ``plan``; every key settled."""
    assert plan.longest_s is not None
    assert plan.end_v is not None
    amps = plan.rate_it * bench.site.pack.rated_ah
    conditions = _conditions(bench, plan)
    if plan.charge_first:
        charged = run_charge(bench, plan=settle_charge(plan.charging, bench.site)[0])
        conditions["charge_end"] = Condition(value=charged.end_reason)
        if charged.end_reason != CHARGED:
            return Found({}, NOT_CHARGED, conditions)
    before = _rest(bench, plan.rest_s)
    with bench.sinking(amps=amps, longest_s=plan.longest_s) as sink:
        fold = DischargeFold(
            set_amps=amps,
            end_v=plan.end_v,
            nominal_volts=bench.site.pack.nominal_volts,
            period_s=bench.period_s,
            on_s=sink.on_s,
        )
        for sample in bench.samples():
            end_volts = sample.pack_volts if plan.end_at == "pack" else bench.load_volts(sample)
            fold.push(
                sample.elapsed_s, sample.pack_amps, sample.pack_volts, end_volts=end_volts, temp_c=sample.pack_temp_c
            )
            if fold.decided:
                break
    # The terminals of an opened pack tell nothing about its cells: there is no recovery to watch.
    after = _rest(bench, plan.rest_after_s if fold.end_reason != PACK_OPENED else 0.0)
    conditions |= _rest_conditions(before, cells=bench.site.pack.cells_in_series)
    channels = Channels(bench.site, bench.place)
    return Found(figures(fold, after, plan=plan, channels=channels), fold.end_reason, conditions)


def _rest(bench: Bench, seconds: float) -> RestFold:
    fold = RestFold()
    if seconds > 0:
        for sample in bench.rest(for_s=seconds):
            fold.push(sample.elapsed_s, sample.pack_volts)
    return fold


def figures(fold: DischargeFold, after: RestFold, *, plan: CapacityPlan, channels: Channels) -> dict[str, Figure]:
    """Every figure of a discharge that has ended, with its uncertainty."""
    seconds = fold.end_s - fold.on_s
    hours = seconds / 3600.0
    if not hours > 0 or not fold.charge_ah > 0:
        return {}
    mean_a, mean_v = fold.charge_ah / hours, fold.energy_wh / fold.charge_ah
    bleed_ah = channels.bleed_amps(mean_v) * hours
    charge_ah = fold.charge_ah + bleed_ah
    energy_wh = fold.energy_wh + bleed_ah * mean_v
    amps = channels.amps_lines(role="load", amps=mean_a, volts=mean_v)
    volts = channels.volts_lines(volts=mean_v, amps=mean_a)
    counted = [*in_figure(amps, hours, "A.h"), *_time_lines(fold, plan, channels, mean_a)]
    rated = channels.site.pack.rated_ah
    basis = f"integral of the current from switch-on to {fold.end_reason}"
    if channels.bleed_amps(mean_v):
        basis += "; declared drain of the idle supply added"
    made = {
        "capacity_ah": figure(charge_ah, "A.h", counted, basis),
        "capacity_wh": figure(
            energy_wh,
            "W.h",
            [*in_figure(counted, mean_v, "W.h"), *in_figure(volts, charge_ah, "W.h")],
            "integral of current times pack volts",
        ),
        "mean_v": figure(mean_v, "V", volts, "energy over charge"),
        "rate_it": figure(mean_a / rated, "1", in_figure(amps, 1 / rated, "1"), "mean current over rated Ah, per hour"),
        "retained_share": figure(
            charge_ah / rated, "1", in_figure(counted, 1 / rated, "1"), "capacity over the rated Ah of the label"
        ),
    }
    return made | _volts_figures(fold, after, plan, channels, mean_a) | _temp_figures(fold, channels)


def _time_lines(fold: DischargeFold, plan: CapacityPlan, channels: Channels, mean_a: float) -> list[BudgetLine]:
    """What the two ends of the integral and the clock contribute, A.h."""
    ah_per_s = mean_a / 3600.0
    lines = in_figure([clock_line(fold.end_s - fold.on_s)], ah_per_s, "A.h")
    lines.append(
        rectangular_line(
            source="sampling",
            half_width=0.5 * fold.period_s * ah_per_s,
            unit="A.h",
            basis="half a period at the ends",
        )
    )
    slope = fold.end.slope_v_per_s
    if fold.end.confirmed and slope and math.isfinite(slope):
        end = channels.volts_lines(volts=fold.end_v, amps=mean_a)
        named = [replace(line, source=f"end voltage, {line.source}") for line in end]
        lines += in_figure(named, ah_per_s / slope, "A.h")
    for gap in fold.counter.gaps:
        lines.append(
            rectangular_line(
                source=f"gap of {gap.end_s - gap.start_s:.0f} s",
                half_width=gap.half_width_ah,
                unit="A.h",
                basis="no samples: anything up to the larger current",
            )
        )
    return lines


def _volts_figures(
    fold: DischargeFold, after: RestFold, plan: CapacityPlan, channels: Channels, mean_a: float
) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    if fold.end.confirmed:
        lines = channels.volts_lines(volts=fold.end_v, amps=mean_a)
        made["end_v"] = figure(fold.end_v, "V", lines, f"end voltage at the {plan.end_at} terminals, as planned")
    if fold.opened.last_good is not None:
        last_v = fold.opened.last_good[2]
        lines = channels.volts_lines(volts=last_v, amps=mean_a)
        made["last_v"] = figure(last_v, "V", lines, "last sample with more than half the set current")
    if not math.isnan(after.minute.mean):
        lines = [*channels.volts_lines(volts=after.minute.mean, amps=0.0), *_overrun_lines(fold, after)]
        made["recovery_v"] = figure(
            after.minute.mean, "V", lines, f"mean of the last minute of {plan.rest_after_s:.0f} s rest after it"
        )
    return made


def _overrun_lines(fold: DischargeFold, after: RestFold) -> list[BudgetLine]:
    """The pack went on giving charge from the crossing until it was confirmed and switched off; near empty the rested
    volts fall about as fast as those under load, so the rest begins that much lower."""
    slope = fold.end.slope_v_per_s
    if not fold.end.confirmed or not math.isfinite(slope) or math.isnan(after.began_s):
        return []
    late_s = after.began_s - fold.end_s
    return [
        rectangular_line(
            source="switched off after the crossing",
            half_width=abs(slope) * late_s,
            unit="V",
            basis=f"{late_s:.1f} s at the slope of the crossing",
        )
    ]


def _temp_figures(fold: DischargeFold, channels: Channels) -> dict[str, Figure]:
    if not fold.temps:
        return {}
    lines = channels.temp_lines()
    start, end = fold.temps[0], fold.temps[-1]
    # One probe's error is mostly the same at both ends; taking it twice is the cautious side.
    both = [*in_figure(lines, 1.0, "K"), *in_figure(lines, 1.0, "K")]
    return {
        "temp_start_c": figure(start, "Cel", lines, "pack thermometer at the first sample"),
        "temp_end_c": figure(end, "Cel", lines, "pack thermometer at the last sample"),
        "rise_k": figure(end - start, "K", both, "temperature at the end less at the start"),
    }


def _conditions(bench: Bench, plan: CapacityPlan) -> dict[str, Condition]:
    return {
        "set_amps": Condition(value=plan.rate_it * bench.site.pack.rated_ah, unit="A"),
        "end_v": Condition(value=plan.end_v, unit="V"),
        "end_at": Condition(value=f"{plan.end_at} terminals"),
        "volts_measured": Condition(value=bench.place.words),
        "rated_ah": Condition(value=bench.site.pack.rated_ah, unit="A.h"),
        "charged": Condition(value="by this run" if plan.charge_first else "before this run, not seen by it"),
    }


def _rest_conditions(before: RestFold, *, cells: int) -> dict[str, Condition]:
    words = {True: "yes", False: "no", None: "rest too short to tell"}[before.settled(cells=cells)]
    made = {"rest_s": Condition(value=before.seconds, unit="s"), "settled": Condition(value=words)}
    if not math.isnan(before.minute.mean):
        made["rest_v"] = Condition(value=before.minute.mean, unit="V")
    return made


def settle_capacity(plan: CapacityPlan, site: Site) -> tuple[CapacityPlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` outside pack and bench."""
    site = replace(
        site,
        envelope=envelope(
            pack=site.pack,
            bench=site.bench,
            end_volts=plan.end_v,
            charge_volts=plan.charge_volts,
            rate_it=plan.rate_it,
        ),
    )
    env = site.envelope
    amps = plan.rate_it * site.pack.rated_ah
    if not amps <= env.amps_max * (1 + 1e-9):
        raise PlanRefused(
            f"plan: rate_it = {plan.rate_it:g} asks {amps:g} A: the limit is {env.amps_max:g} A ({env.amps_from}); "
            f"use rate_it <= {env.amps_max / site.pack.rated_ah:.3g}"
        )
    charging = settle_charge(plan.charging, site)[0] if plan.charge_first else plan.charging
    hours = 1.0 / plan.rate_it
    settled = msgspec.structs.replace(
        plan,
        end_v=env.cut_off_v,
        charge_amps=charging.amps,
        charge_volts=charging.volts,
        charge_end_amps=charging.end_amps,
        longest_s=3600.0 * 1.3 * hours if plan.longest_s is None else plan.longest_s,
    )
    return settled, site


def forecast_capacity(plan: CapacityPlan, site: Site) -> Forecast:
    """Steps, charge and heat by the label; the pack's own resistance when the file gives it."""
    rated = site.pack.rated_ah
    amps = plan.rate_it * rated
    hours = 1.0 / plan.rate_it
    ohm = (site.pack.resistance_mohm or 0.0) / 1000.0
    discharge = Step(
        f"discharge at {amps:g} A to {plan.end_v:g} V at the {plan.end_at} terminals",
        3600.0 * hours,
        amps,
        rated,
        amps**2 * ohm * hours,
    )
    steps: tuple[Step, ...] = (
        Step("rest", plan.rest_s),
        discharge,
        Step("rest, watching the pack recover", plan.rest_after_s),
    )
    if plan.charge_first:
        steps = (*forecast_charge(plan.charging, site).steps, *steps)
    return Forecast(steps, site.envelope.cut_off_v, site.envelope.target_v)


PROCEDURE = Procedure(
    name="capacity",
    about="charge, rest, discharge at constant current: capacity and energy at a stated rate and end voltage",
    run=capacity,
    plan_type=CapacityPlan,
    settle=settle_capacity,
    forecast=forecast_capacity,
    needs=lambda plan: ("load", "supply", "thermometer") if plan.charge_first else ("load",),
)

__all__ = ["PROCEDURE", "CapacityPlan", "RestFold", "capacity", "figures"]
