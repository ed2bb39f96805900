"""The plan of a voltage-floor sweep: its keys, how open ones are filled from the UPS file, what is expected of it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated

import msgspec

from harness.config_ups import UpsFile
from harness.errors import PlanRefused
from harness.limits_ups import ups_envelope
from harness.procedure import Forecast, Step
from harness.site import Site
from procedures.plans import Amps, Seconds, Volts, Watts, all_finite, settled

CURRENT_MARGIN = 1.3
"""The supply's limit over what the inverter draws at its floor: a limit that is reached looks like a cut-off."""

START_V_CELL = 2.25
FLOOR_V_CELL = 1.75
LOWEST_V_CELL = 1.3
"""Float, usual floor and where to give up, V per lead-acid cell, where the UPS file says nothing (judgement)."""

CONFIRM_LEAST_S = 5.0
"""Less would not show a charger that comes back with its delay: mains would pass for a cut-off (judgement)."""

EFFICIENCY = 0.7
IDLE_SHARE = 0.05
"""What an inverter draws before it is measured: the AC load over this, and this share of its rating (judgement)."""


class VoltageFloorPlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How to look for the floor. Open keys (none) are taken from the UPS file."""

    start_v: Annotated[
        Volts | None,
        msgspec.Meta(description="where to start: the charge ceiling; default label_ceiling_v, or 2.25 V a cell"),
    ] = None
    highest_v: Annotated[
        Volts | None, msgspec.Meta(description="also try levels from start_v up to this; default none above start_v")
    ] = None
    floor_expected_v: Annotated[
        Volts | None,
        msgspec.Meta(description="the supply must have current enough here; default label_floor_v, or 1.75 V a cell"),
    ] = None
    lowest_v: Annotated[Volts | None, msgspec.Meta(description="give up here; default 1.3 V a cell")] = None
    coarse_step_v: Annotated[Volts | None, msgspec.Meta(description="default 1/48 of the nominal volts")] = None
    fine_step_v: Annotated[Volts | None, msgspec.Meta(description="default a tenth of coarse_step_v")] = None
    power_expected_w: Annotated[
        Watts | None, msgspec.Meta(description="DC power before it is measured; default from ac_load_w at 70 %")
    ] = None
    amps_max: Annotated[
        Amps | None, msgspec.Meta(description="limit of the supply; at least 1.3 x power over floor_expected_v")
    ] = None
    filter_s: Annotated[Seconds, msgspec.Meta(description="time constant with which the UPS sees its battery")] = 0.3
    hold_s: Annotated[Seconds, msgspec.Meta(description="how long it waits under its cut-off")] = 1.0
    dwell_s: Annotated[
        Seconds | None, msgspec.Meta(description="time on a level; default and least 5 x (filter_s + hold_s), 3 s")
    ] = None
    mains_wait_s: Annotated[
        Seconds, msgspec.Meta(description="wait with mains on: for good mains, soft start and self-test")
    ] = 90.0
    confirm_s: Annotated[
        Seconds, msgspec.Meta(description="watch this long after the current has gone: mains that came back shows")
    ] = 15.0
    idle_s: Annotated[Seconds, msgspec.Meta(description="how long without AC load, for idle_a; 0 leaves it out")] = 30.0


def settle_voltage_floor(plan: VoltageFloorPlan, site: Site) -> tuple[VoltageFloorPlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` for levels out of order, a dwell too short, a supply too weak."""
    all_finite(plan)
    ups = site.ups
    start_v, highest_v, expected_v, lowest_v = _levels(plan, ups)
    if not plan.confirm_s >= CONFIRM_LEAST_S:
        raise PlanRefused(
            f"plan: confirm_s = {plan.confirm_s:g} s: at least {CONFIRM_LEAST_S:g} s, or mains that came back would "
            "pass for a cut-off; watch longer"
        )
    dwell_s = _dwell(plan)
    coarse, fine = _steps(plan, ups, range_v=start_v - lowest_v)
    env = ups_envelope(ups=ups, bench=site.bench, lowest_v=lowest_v, highest_v=highest_v, ceiling_v=start_v)
    site = replace(site, envelope=env)
    _leads_known(site)
    watts = plan.power_expected_w or power_before(ups)
    filled = msgspec.structs.replace(
        plan,
        start_v=start_v,
        highest_v=highest_v,
        floor_expected_v=expected_v,
        lowest_v=lowest_v,
        coarse_step_v=coarse,
        fine_step_v=fine,
        power_expected_w=watts,
        amps_max=_amps(plan, site, needed=CURRENT_MARGIN * watts / expected_v, watts=watts),
        dwell_s=dwell_s,
    )
    return filled, site


def _levels(plan: VoltageFloorPlan, ups: UpsFile) -> tuple[float, float, float, float]:
    """Where it starts, the highest, the floor that is expected, and the lowest, V. Raises ``PlanRefused``."""
    n = ups.cells_in_series
    start_v = plan.start_v or ups.label_ceiling_v or START_V_CELL * n
    expected_v = plan.floor_expected_v or ups.label_floor_v or FLOOR_V_CELL * n
    lowest_v = plan.lowest_v or LOWEST_V_CELL * n
    if not lowest_v < expected_v < start_v:
        raise PlanRefused(
            f"plan: lowest_v = {lowest_v:g} V, floor_expected_v = {expected_v:g} V, start_v = {start_v:g} V: not in "
            "this order; give levels that rise"
        )
    highest_v = start_v if plan.highest_v is None else plan.highest_v
    if not highest_v >= start_v:
        raise PlanRefused(
            f"plan: highest_v = {highest_v:g} V: under start_v = {start_v:g} V; leave it out or ask for more"
        )
    return start_v, highest_v, expected_v, lowest_v


def _steps(plan: VoltageFloorPlan, ups: UpsFile, *, range_v: float) -> tuple[float, float]:
    """The coarse and the fine step, V. Raises ``PlanRefused``."""
    coarse = plan.coarse_step_v or ups.nominal_dc_volts / 48.0
    fine = plan.fine_step_v or coarse / 10.0
    if not fine <= coarse < range_v:
        raise PlanRefused(
            f"plan: fine_step_v = {fine:g} V, coarse_step_v = {coarse:g} V: fine <= coarse; put them right"
        )
    return coarse, fine


def _dwell(plan: VoltageFloorPlan) -> float:
    least = max(3.0, 5.0 * (plan.filter_s + plan.hold_s))
    dwell_s = least if plan.dwell_s is None else plan.dwell_s
    if not dwell_s >= least - 1e-9:
        raise PlanRefused(
            f"plan: dwell_s = {dwell_s:g} s: at least {least:g} s (5 x (filter_s + hold_s), 3 s), or a level already "
            "under the floor would be taken for held; ask for more"
        )
    return dwell_s


def power_before(ups: UpsFile) -> float:
    """DC power of the inverter before it is measured, W."""
    ac_w = ups.rated_w if ups.ac_load_w is None else ups.ac_load_w
    return ac_w / EFFICIENCY + IDLE_SHARE * ups.rated_w


def _amps(plan: VoltageFloorPlan, site: Site, *, needed: float, watts: float) -> float:
    """The supply's limit, A. Raises ``PlanRefused`` for one that the inverter would reach before its cut-off."""
    env, entry = site.envelope, site.bench.one("supply")
    assert entry is not None
    most = env.charge_amps_max
    amps = min(most, 1.25 * needed) if plan.amps_max is None else plan.amps_max
    if not needed <= amps <= most * (1 + 1e-9):
        raise PlanRefused(
            f"plan: amps_max = {amps:.3g} A: {needed:.3g} A or more is needed (1.3 x {watts:.0f} W at "
            f"{plan.floor_expected_v or watts * CURRENT_MARGIN / needed:.4g} V), the limit is {most:.3g} A "
            f"({env.charge_amps_from}); use a smaller AC load or a stronger supply"
        )
    if entry.max_watts is not None and not CURRENT_MARGIN * watts <= entry.max_watts:
        raise PlanRefused(
            f"plan: {watts:.0f} W expected: 1.3 times that is over the {entry.max_watts:g} W of {entry.name}; use "
            "a smaller AC load or a stronger supply"
        )
    return amps


def _leads_known(site: Site) -> None:
    entry = site.bench.one("supply")
    if entry is not None and entry.sense != "remote" and entry.lead_ohm is None:
        raise PlanRefused(
            f"plan: {entry.name} has no sense leads and its leads are not declared, so volts at the UPS cannot be told "
            "from those set; add lead_mohm, or wire the sense leads"
        )


def forecast_voltage_floor(plan: VoltageFloorPlan, site: Site) -> Forecast:
    """Steps in order, at most: down to the lowest level."""
    start_v, lowest_v, highest_v = settled(plan.start_v), settled(plan.lowest_v), settled(plan.highest_v)
    dwell, coarse, fine = settled(plan.dwell_s), settled(plan.coarse_step_v), settled(plan.fine_step_v)
    levels, above = math.ceil((start_v - lowest_v) / coarse), math.ceil((highest_v - start_v) / coarse)
    steps = [
        Step("mains on, then off: the UPS starts on the stand-in", plan.mains_wait_s),
        Step(f"levels of {coarse:g} V from {start_v:g} V to its cut-off", levels * dwell + plan.confirm_s),
        Step("raised again with mains away: does it start by itself", levels * dwell),
        Step("mains on, then off", plan.mains_wait_s),
        Step(
            f"levels of {fine:g} V down to its cut-off",
            2 * coarse / fine * dwell + plan.confirm_s,
        ),
    ]
    if plan.idle_s > 0:
        steps.insert(1, Step("without AC load", plan.idle_s))
    if above:
        steps.insert(1, Step(f"levels up to {highest_v:g} V", above * dwell))
    asks = ("mains on", "mains off", "ac load off", "ac load on") if plan.idle_s > 0 else ("mains on", "mains off")
    return Forecast(tuple(steps), lowest_v, highest_v, asks)
