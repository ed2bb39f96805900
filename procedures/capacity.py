"""Charge a pack, rest it, discharge it at constant current to its end voltage: the charge it gave is its capacity.

The charge is counted from switch-on to the instant at which the end voltage is crossed, by the straight line between
the two samples around it, once the next sample confirms it. If the pack opens first, up to the last good sample.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Literal

import msgspec

from harness.bench import Bench
from harness.channels import Channels
from harness.errors import PlanRefused
from harness.limits import envelope
from harness.procedure import Forecast, Found, Procedure, Step
from harness.result import Condition
from harness.site import Site
from harness.uncertainty import BudgetLine
from procedures.capacity_figures import IDS, Discharged, figures, not_measured
from procedures.capacity_left import capacity_left
from procedures.charge import ChargePlan, charged, forecast_charge, run_charge, settle_charge
from procedures.charging import END_CURRENT, ChargeFold
from procedures.discharge import PACK_OPENED, DischargeFold
from procedures.plans import Amps, It, Seconds, Volts
from procedures.rest import RestFold


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


def capacity(bench: Bench, *, plan: CapacityPlan) -> Found:
    """Measure the pack's capacity by ``plan``; every key settled."""
    channels = Channels(bench.site, bench.place)
    conditions = _conditions(bench, plan)
    full_lines: tuple[BudgetLine, ...] = ()
    if plan.charge_first:
        charging = settle_charge(plan.charging, bench.site)[0]
        fold = run_charge(bench, plan=charging)
        conditions |= _charge_conditions(fold)
        if fold.end_reason != END_CURRENT:
            reason = f"{fold.end_reason}, not discharged"
            return Found({}, reason, conditions, dict.fromkeys(IDS, reason))
        full_lines = tuple(charged(fold, plan=charging, channels=channels).end_lines())
    before = _rest(bench, plan.rest_s)
    discharge = _discharge(bench, plan)
    # The terminals of an opened pack tell nothing about its cells: there is no recovery to watch.
    after = _rest(bench, plan.rest_after_s if discharge.end_reason != PACK_OPENED else 0.0)
    run = Discharged(discharge, before, after, channels, end_at=plan.end_at, full_lines=full_lines)
    found = figures(run)
    conditions |= _run_conditions(run, cells=bench.site.pack.cells_in_series)
    return Found(found, discharge.end_reason, conditions, not_measured(run, found))


def _discharge(bench: Bench, plan: CapacityPlan) -> DischargeFold:
    """The energised part."""
    assert plan.longest_s is not None
    assert plan.end_v is not None
    amps = plan.rate_it * bench.site.pack.rated_ah
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
    return fold


def _rest(bench: Bench, seconds: float) -> RestFold:
    fold = RestFold()
    if seconds > 0:
        for sample in bench.rest(for_s=seconds):
            fold.push(sample.elapsed_s, sample.pack_volts)
    return fold


def _conditions(bench: Bench, plan: CapacityPlan) -> dict[str, Condition]:
    return {
        "set_amps": Condition(value=plan.rate_it * bench.site.pack.rated_ah, unit="A"),
        "end_v": Condition(value=plan.end_v, unit="V"),
        "end_at": Condition(value=f"{plan.end_at} terminals"),
        "volts_measured": Condition(value=bench.place.words),
        "rated_ah": Condition(value=bench.site.pack.rated_ah, unit="A.h"),
        "charged": Condition(value="by this run" if plan.charge_first else "before this run, not seen by it"),
    }


def _charge_conditions(fold: ChargeFold) -> dict[str, Condition]:
    return {
        "charge_end": Condition(value=fold.end_reason),
        "charge_in_ah": Condition(value=fold.put_in[0], unit="A.h"),
    }


def _run_conditions(run: Discharged, *, cells: int) -> dict[str, Condition]:
    before, temps = run.before, [temp for _, temp in run.fold.temps]
    words = {True: "yes", False: "no", None: "rest too short to tell"}[before.settled(cells=cells)]
    made = {"rest_s": Condition(value=before.seconds, unit="s"), "settled": Condition(value=words)}
    if not math.isnan(before.minute.mean):
        made["rest_v"] = Condition(value=before.minute.mean, unit="V")
    if temps:
        made["temp_mean_c"] = Condition(value=math.fsum(temps) / len(temps), unit="Cel")
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
    if plan.end_at == "load":
        _check_end_at_load(site)
    charging = settle_charge(plan.charging, site)[0] if plan.charge_first else plan.charging
    longest_s = 3600.0 * 1.3 / plan.rate_it if plan.longest_s is None else plan.longest_s
    if not longest_s > 0:
        raise PlanRefused(
            f"plan: longest_s = {longest_s:g} s: a discharge takes longer; leave it out or give the seconds it may take"
        )
    settled = msgspec.structs.replace(
        plan,
        end_v=env.cut_off_v,
        charge_amps=charging.amps,
        charge_volts=charging.volts,
        charge_end_amps=charging.end_amps,
        longest_s=longest_s,
    )
    return settled, site


def _check_end_at_load(site: Site) -> None:
    load = site.bench.one("load")
    if load is not None and load.sense == "remote":
        raise PlanRefused(
            f'plan: end_at = load: {load.name} senses at the pack (sense = "remote"), so it reads no volts of its own '
            "terminals; use end_at = pack"
        )


def forecast_capacity(plan: CapacityPlan, site: Site) -> Forecast:
    """Steps, charge and heat by the label; the pack's own resistance when the file gives it."""
    rated = site.pack.rated_ah
    amps = plan.rate_it * rated
    hours = 1.0 / plan.rate_it
    mohm = site.pack.resistance_mohm
    discharge = Step(
        f"discharge at {amps:g} A to {plan.end_v:g} V at the {plan.end_at} terminals",
        3600.0 * hours,
        amps,
        rated,
        None if mohm is None else amps**2 * mohm / 1000.0 * hours,
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
    ids=IDS,
    run=capacity,
    plan_type=CapacityPlan,
    settle=settle_capacity,
    forecast=forecast_capacity,
    needs=lambda plan: ("load", "supply", "thermometer") if plan.charge_first else ("load",),
    left=capacity_left,
    after_stop="A discharge that was cut off is not taken up again: charge, rest and discharge begin anew, with `run`.",
)

__all__ = ["PROCEDURE", "CapacityPlan", "capacity", "forecast_capacity", "settle_capacity"]
