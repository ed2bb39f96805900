"""Charge a pack with constant current, then constant volts, until the current has tapered off (CC-CV).

The volts held are those at the supply's sensed terminals: with sense leads the pack's own, without them the supply's.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import msgspec

from harness.bench import Bench
from harness.channels import Channels
from harness.errors import PlanRefused
from harness.limits import envelope
from harness.procedure import Forecast, Found, Procedure, Step
from harness.result import Condition
from harness.site import Site
from procedures.charge_figures import IDS, Charged, figures, not_measured
from procedures.charge_left import charge_left
from procedures.charging import ChargeFold
from procedures.plans import Amps, Seconds, Volts

DEFAULT_IT = 0.5
DEFAULT_END_IT = 0.05


class ChargePlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to charge with. Open keys (none) are taken from the pack file."""

    amps: Annotated[
        Amps | None,
        msgspec.Meta(description="charging current; default 0.5 It, at most what pack, fuse and leads bear"),
    ] = None
    volts: Annotated[
        Volts | None, msgspec.Meta(description="volts held at the end; default the chemistry's target")
    ] = None
    end_amps: Annotated[
        Amps | None, msgspec.Meta(description="charged when the current stays at or under this 10 s; default 0.05 It")
    ] = None
    longest_s: Annotated[
        Seconds | None, msgspec.Meta(description="trip when it takes longer; default 1.3 x the longest expected")
    ] = None


def charge(bench: Bench, *, plan: ChargePlan) -> Found:
    """Charge the pack by ``plan``; every key settled."""
    fold = run_charge(bench, plan=plan)
    return report_charge(fold, plan=plan, channels=Channels(bench.site, bench.place))


def run_charge(bench: Bench, *, plan: ChargePlan) -> ChargeFold:
    """The energised part alone, for procedures that begin with a charge."""
    assert plan.volts is not None
    assert plan.amps is not None
    assert plan.end_amps is not None
    assert plan.longest_s is not None
    with bench.sourcing(volts=plan.volts, amps_max=plan.amps, longest_s=plan.longest_s) as source:
        fold = ChargeFold(end_amps=plan.end_amps, period_s=bench.period_s, on_s=source.on_s)
        for sample in bench.samples():
            fold.push(
                sample.elapsed_s,
                sample.pack_amps,
                sample.pack_volts,
                held_volts=bench.held_volts(sample),
                temp_c=sample.pack_temp_c,
            )
            if fold.decided:
                break
    return fold


def report_charge(fold: ChargeFold, *, plan: ChargePlan, channels: Channels) -> Found:
    """Figures of a charge that has ended, and the reasons for those that are missing."""
    run = charged(fold, plan=plan, channels=channels)
    found = figures(run)
    return Found(found, fold.end_reason, _conditions(fold, plan, channels), not_measured(run, found))


def charged(fold: ChargeFold, *, plan: ChargePlan, channels: Channels) -> Charged:
    """A charge that has ended beside what it was to be."""
    assert plan.amps is not None
    assert plan.volts is not None
    return Charged(fold, channels, set_amps=plan.amps, set_volts=plan.volts)


def _conditions(fold: ChargeFold, plan: ChargePlan, channels: Channels) -> dict[str, Condition]:
    supply = channels.site.bench.one("supply")
    where = "at the pack terminals, by sense leads"
    if supply is not None and supply.sense != "remote":
        where = "at the supply's terminals: the pack gets less by the drop of the leads"
    conditions = {
        "charge_amps": Condition(value=plan.amps, unit="A"),
        "charge_volts": Condition(value=plan.volts, unit="V"),
        "charge_volts_held": Condition(value=where),
        "charge_end_amps": Condition(value=plan.end_amps, unit="A"),
        "volts_measured": Condition(value=channels.place.words),
    }
    if fold.temps:
        temps = [temp for _, temp in fold.temps]
        conditions["charge_temp_start_c"] = Condition(value=temps[0], unit="Cel")
        conditions["charge_temp_max_c"] = Condition(value=max(temps), unit="Cel")
    return conditions


def settle_charge(plan: ChargePlan, site: Site) -> tuple[ChargePlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` for a pack that may not be charged here or a key out of bounds."""
    it = site.pack.rated_ah
    env = envelope(pack=site.pack, bench=site.bench, charge_volts=plan.volts)
    if env.charge_refused:
        raise PlanRefused(f"plan: no charge: {env.charge_refused}")
    amps = min(DEFAULT_IT * it, env.charge_amps_max) if plan.amps is None else plan.amps
    if not amps <= env.charge_amps_max * (1 + 1e-9):
        raise PlanRefused(
            f"plan: amps = {amps:g} A: the limit is {env.charge_amps_max:g} A ({env.charge_amps_from}); "
            f"use amps <= {env.charge_amps_max:.3g}"
        )
    end_amps = DEFAULT_END_IT * it if plan.end_amps is None else plan.end_amps
    _check_end_amps(site, end_amps=end_amps, amps=amps)
    expected_s = 3600.0 * (it / amps + 1.0)
    longest_s = 1.3 * expected_s if plan.longest_s is None else plan.longest_s
    if not longest_s > 0:
        raise PlanRefused(
            f"plan: longest_s = {longest_s:g} s: a charge takes longer; leave it out or give the seconds it may take"
        )
    return (
        msgspec.structs.replace(plan, amps=amps, volts=env.target_v, end_amps=end_amps, longest_s=longest_s),
        replace(site, envelope=env),
    )


def _check_end_amps(site: Site, *, end_amps: float, amps: float) -> None:
    if not end_amps < amps:
        raise PlanRefused(f"plan: end_amps = {end_amps:g} A: not below amps = {amps:g} A; choose a smaller end current")
    supply = site.bench.one("supply")
    least = 0.0 if supply is None else supply.amps_accuracy.half_width(end_amps)
    if supply is not None and not end_amps > least:
        raise PlanRefused(
            f"plan: end_amps = {end_amps:g} A: {supply.name} reads amps within {least:.3g} A only "
            f"({supply.amps_accuracy.words('A')}), so the end would not be seen; use end_amps well above {least:.2g}"
        )


def forecast_charge(plan: ChargePlan, site: Site) -> Forecast:
    """At most: from empty. How full the pack is now cannot be told from outside."""
    assert plan.amps is not None
    it = site.pack.rated_ah
    mohm = site.pack.resistance_mohm
    hours = it / plan.amps
    heat = None if mohm is None else plan.amps**2 * mohm / 1000.0 * hours
    step = Step(
        f"charge at {plan.amps:g} A to {plan.volts:g} V, until {plan.end_amps:g} A (from empty; less if part full)",
        3600.0 * (hours + 0.5),
        -plan.amps,
        it,
        heat,
    )
    return Forecast((step,), site.envelope.cut_off_v, plan.volts or 0.0)


PROCEDURE = Procedure(
    name="charge",
    about="charge a pack, constant current then constant volts, and count what goes in",
    ids=IDS,
    run=charge,
    plan_type=ChargePlan,
    settle=settle_charge,
    forecast=forecast_charge,
    needs=lambda plan: ("supply", "thermometer"),
    phases=("rest", "source"),
    left=charge_left,
    after_stop="What is in the pack stays in: the charge may simply be run again, and ends where this one would have.",
)

__all__ = ["PROCEDURE", "ChargePlan", "charge", "charged", "forecast_charge", "run_charge", "settle_charge"]
