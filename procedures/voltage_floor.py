"""Lower a UPS's battery volts, level by level, until its inverter cuts off: the volts down to which it uses a pack.

A supply stands in for the battery. The UPS starts on mains, mains is taken away, a coarse staircase finds the cut-off;
then the volts are raised again with mains still away (does it start by itself?), mains comes back if it does not, and a
fine staircase from the last level held gives the floor. Which way the current went is decided in ``floor_fold``.
"""

from __future__ import annotations

from dataclasses import replace

from harness.bench import Bench
from harness.channels import Channels
from harness.errors import PlanRefused
from harness.history import CONTINUED
from harness.procedure import Found, GoOn, Procedure, Remains
from harness.result import Condition
from procedures.floor_figures import ABNORMAL, IDS, WENT_OFF, Swept, figures, not_measured
from procedures.floor_fold import CUT_OFF, NOT_REACHED
from procedures.floor_left import floor_left, refolded, stage_words
from procedures.floor_plan import VoltageFloorPlan, forecast_voltage_floor, settle_voltage_floor
from procedures.floor_resume import rest_of, to_go_on_with
from procedures.floor_sweep import Sweep, lead_ohm
from procedures.plans import settled


def voltage_floor(bench: Bench, *, plan: VoltageFloorPlan) -> Found:
    """Look for the floor by ``plan``; every key settled."""
    start_v, amps_max = settled(plan.start_v), settled(plan.amps_max)
    run = Swept(Channels(bench.site, bench.place), lead_ohm(bench.site))
    longest_s = 3.0 * forecast_voltage_floor(plan, bench.site).seconds + 3600.0
    with bench.standing_in(volts=start_v, amps_max=amps_max, longest_s=longest_s) as supply:
        Sweep(bench, supply, plan, run, amps_max).all()
        supply.because(run.end_reason)
    return _reported(bench, plan, run)


def go_on(bench: Bench, *, plan: VoltageFloorPlan, remains: Remains) -> Found:
    """Take up the sweep that ``remains`` are of; what it had found is folded again and counts."""
    gap_s = max(0.0, (bench.utc() - remains.history.ended).total_seconds())
    # Before the beginning of this run, as far as the calendar says.
    earlier = remains.history.moved(-(remains.history.ended_s + gap_s))
    known = refolded(replace(remains, history=earlier, site=bench.site, place=bench.place))
    bench.note(CONTINUED, run=remains.history.folder.name, gap_s=round(gap_s, 3), text=stage_words(known))
    run = known.run
    if known.over:
        raise PlanRefused("voltage-floor: the sweep was over before the run died; nothing is left to go on with")
    if not to_go_on_with(run):
        return voltage_floor(bench, plan=plan)
    longest_s = 3.0 * forecast_voltage_floor(plan, bench.site).seconds + 3600.0
    with bench.standing_in(volts=settled(plan.start_v), amps_max=known.set_amps, longest_s=longest_s) as supply:
        rest_of(Sweep(bench, supply, plan, run, known.set_amps))
        supply.because(run.end_reason)
    found = _reported(bench, plan, run)
    more = {"gap_s": Condition(value=gap_s, unit="s"), "continued_from": Condition(value=remains.history.folder.name)}
    return replace(found, conditions={**found.conditions, **more})


def stands(remains: Remains) -> str:
    """Where a sweep that died stands; "" when it was over."""
    known = refolded(remains)
    return "" if known.over else stage_words(known)


def _reported(bench: Bench, plan: VoltageFloorPlan, run: Swept) -> Found:
    found = figures(run)
    return Found(found, run.end_reason, _conditions(bench, plan, run), not_measured(run, found))


def _conditions(bench: Bench, plan: VoltageFloorPlan, run: Swept) -> dict[str, Condition]:
    made = {
        "start_v": Condition(value=plan.start_v, unit="V"),
        "amps_max": Condition(value=plan.amps_max, unit="A"),
        "dwell_s": Condition(value=plan.dwell_s, unit="s"),
        "volts_measured": Condition(value=bench.place.words),
        "warning_told_by": Condition(value=bench.tells("warning") or "nothing"),
        "output_told_by": Condition(value=bench.tells("ac-output") or "nothing"),
        "mains_switched_by": Condition(value=bench.can_switch("mains")),
        "self_tests_seen": Condition(value=sum(len(fold.pulses) for fold in run.on_mains)),
    }
    if bench.site.ups.ac_load_w is not None:
        made["ac_load_w"] = Condition(value=bench.site.ups.ac_load_w, unit="W")
    if run.coarse is not None:
        made["coarse_sweep"] = Condition(value=run.coarse.end_reason)
    if run.fine is not None:
        made["fine_sweep"] = Condition(value=run.fine.end_reason)
    if run.up is not None:
        made["above_start"] = Condition(value=_up_words(run))
    return made


def _up_words(run: Swept) -> str:
    assert run.up is not None
    if run.up.end_reason == CUT_OFF:
        return WENT_OFF
    if run.up.end_reason != NOT_REACHED:
        return f"ended by: {run.up.end_reason}"
    return ABNORMAL if run.abnormal.how else "nothing abnormal"


PROCEDURE = Procedure(
    name="voltage-floor",
    about="lower a UPS's battery volts in steps, mains off, until its inverter cuts off: floor, warning, restart, draw",
    ids=IDS,
    run=voltage_floor,
    plan_type=VoltageFloorPlan,
    settle=settle_voltage_floor,
    forecast=forecast_voltage_floor,
    needs=lambda plan: ("supply",),
    phases=("rest", "stand-in"),
    subject="ups",
    left=floor_left,
    after_stop="It goes on at the level it died in, in a folder of its own; levels held before count.",
    go_on=GoOn(stands, go_on),
)

__all__ = ["PROCEDURE", "VoltageFloorPlan", "forecast_voltage_floor", "settle_voltage_floor", "voltage_floor"]
