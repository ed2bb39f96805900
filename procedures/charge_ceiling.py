"""Trace a UPS's charger: how far it pushes the volts, how much current it gives, where the one turns into the other.

A load stands in for the battery and takes what the charger gives: first at rising volts until the current gives way
(constant-current branch), then at falling currents (constant-volts branch). Open terminals would lie: a charger pulses
there, or waits for a battery. Without a load a supply stands in and is driven by the charger: that gives the open volts
and no more.
"""

from __future__ import annotations

import statistics

from harness.bench import Bench
from harness.channels import Channels
from harness.procedure import Found, Procedure
from harness.result import Condition
from procedures.ceiling_figures import IDS, figures, not_measured
from procedures.ceiling_plan import ChargeCeilingPlan, forecast_charge_ceiling, settle_charge_ceiling
from procedures.ceiling_trace import Trace, Traced, read_open, traced
from procedures.plans import settled


def charge_ceiling(bench: Bench, *, plan: ChargeCeilingPlan) -> Found:
    """Trace the charger by ``plan``; every key settled."""
    run = traced(bench, Channels(bench.site, bench.place))
    longest_s = 3.0 * forecast_charge_ceiling(plan, bench.site).seconds + 1800.0
    if plan.by == "supply":
        _by_supply(bench, plan, run, longest_s=longest_s)
    else:
        _by_load(bench, plan, run, longest_s=longest_s)
    found = figures(run)
    return Found(found, run.end_reason, _conditions(bench, plan, run), not_measured(run, found))


def _by_load(bench: Bench, plan: ChargeCeilingPlan, run: Traced, *, longest_s: float) -> None:
    start_v, amps_max = settled(plan.start_v), settled(plan.amps_max)
    help_v = settled(plan.help_v) if plan.helped else None
    help_amps = settled(plan.help_amps) if plan.helped else 0.0
    with bench.tracing(
        volts=start_v, amps_max=amps_max, longest_s=longest_s, helped_volts=help_v, helped_amps=help_amps
    ) as battery:
        Trace(bench, battery, plan, run, plan.helped).all()


def _by_supply(bench: Bench, plan: ChargeCeilingPlan, run: Traced, *, longest_s: float) -> None:
    with bench.standing_in(volts=settled(plan.start_v), amps_max=settled(plan.help_amps), longest_s=longest_s):
        read_open(bench, plan, run)


def _conditions(bench: Bench, plan: ChargeCeilingPlan, run: Traced) -> dict[str, Condition]:
    made = {
        "in_place_of_the_battery": Condition(value=plan.by),
        "start_v": Condition(value=plan.start_v, unit="V"),
        "volts_measured": Condition(value=bench.place.words),
        "mains_switched_by": Condition(value=bench.can_switch("mains")),
        "self_tests_seen": Condition(value=0 if run.on_mains is None else len(run.on_mains.pulses)),
        "points": Condition(value=len(run.points)),
        "discarded_s": Condition(value=round(run.lost_s, 3), unit="s"),
    }
    if plan.by == "load":
        made["supply_beside_it"] = Condition(value=plan.help)
    if run.temps:
        made["temp_c"] = Condition(value=statistics.fmean(run.temps), unit="Cel")
    return made


PROCEDURE = Procedure(
    name="charge-ceiling",
    about="trace a UPS's charger with a load in place of its battery: ceiling, current, knee, resistance",
    ids=IDS,
    run=charge_ceiling,
    plan_type=ChargeCeilingPlan,
    settle=settle_charge_ceiling,
    forecast=forecast_charge_ceiling,
    needs=lambda plan: () if plan.by is None else (plan.by,),
    phases=("rest", "stand-in", "trace"),
    subject="ups",
    after_stop="A charger is traced in one go: the trace begins anew, with `run`.",
)

__all__ = ["PROCEDURE", "ChargeCeilingPlan", "charge_ceiling", "forecast_charge_ceiling", "settle_charge_ceiling"]
