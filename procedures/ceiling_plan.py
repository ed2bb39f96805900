"""The plan of a charge-ceiling probe: its keys, how open ones are filled from UPS and bench, what is expected of it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Literal

import msgspec

from harness.config_ups import UpsFile
from harness.errors import PlanRefused
from harness.limits_ups import ups_envelope
from harness.procedure import Forecast, Step
from harness.setpoints import LEAST_AMPS
from harness.site import Site
from procedures.floor_plan import CURRENT_MARGIN, power_before
from procedures.plans import Amps, Seconds, Volts, all_finite, settled

START_V_CELL = 2.0
"""Where the trace begins, V per lead-acid cell: a battery that any charger takes for one (judgement)."""

SHARES = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
"""Shares of the charger's limit that the load draws on the constant-volts branch; above 1 the node would collapse."""

TAPER_SHARE = 0.03
"""Share at which the end of boost is waited for."""

LOAD_SHARE = 0.95
"""How much of what the load bears the charger may come to, so that the load's own limit is not taken for its."""


LABEL_MARGIN = 1.5
"""No charger comes this far over its label, and none over the rated watts of its UPS (judgement)."""


class ChargeCeilingPlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How to trace the charger. Open keys (none) are taken from UPS file and bench."""

    by: Annotated[
        Literal["load", "supply"] | None,
        msgspec.Meta(description="what stands in for the battery; supply: open volts only; default the load if any"),
    ] = None
    start_v: Annotated[Volts | None, msgspec.Meta(description="where to begin; default 2.0 V a cell")] = None
    step_v: Annotated[
        Volts | None, msgspec.Meta(description="steps of the constant-current branch; default 1/48 of nominal")
    ] = None
    dwell_s: Annotated[Seconds, msgspec.Meta(description="time on a point; its second half counts")] = 4.0
    help: Annotated[
        Literal["start", "trace", "none"],
        msgspec.Meta(description="supply beside the load: until the charger has started, all along, or not at all"),
    ] = "start"
    help_v: Annotated[
        Volts | None, msgspec.Meta(description="volts of that supply; default one step under start_v")
    ] = None
    help_amps: Annotated[
        Amps | None,
        msgspec.Meta(description="its limit: enough for a self-test on the inverter, where there is as much"),
    ] = None
    amps_max: Annotated[
        Amps | None,
        msgspec.Meta(description="most the load takes; default 0.95 of what it bears, no more than a charger gives"),
    ] = None
    mains_wait_s: Annotated[
        Seconds, msgspec.Meta(description="wait with mains on: for good mains, soft start and self-test")
    ] = 90.0
    off_most_s: Annotated[
        Seconds, msgspec.Meta(description="a charger that gives nothing for this long has stopped, or is past its top")
    ] = 20.0
    taper_wait_s: Annotated[
        Seconds, msgspec.Meta(description="wait at little current for boost to end; 0: float is not looked for")
    ] = 60.0

    @property
    def helped(self) -> bool:
        """Whether the supply stands beside the load at first."""
        return self.by == "load" and self.help != "none"


def settle_charge_ceiling(plan: ChargeCeilingPlan, site: Site) -> tuple[ChargeCeilingPlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` for volts out of order or a bench that cannot."""
    all_finite(plan)
    ups, bench = site.ups, site.bench
    by = plan.by or ("load" if bench.one("load") is not None else "supply")
    if bench.one(by) is None:
        raise PlanRefused(f"plan: by = {by}: the bench has no {by}; add one, or take the other")
    site = replace(site, envelope=ups_envelope(ups=ups, bench=bench))
    env = site.envelope
    start_v = plan.start_v or START_V_CELL * ups.cells_in_series
    step_v = plan.step_v or ups.nominal_dc_volts / 48.0
    help_v = plan.help_v or start_v - step_v
    if not env.cut_off_v <= help_v < start_v < env.target_v:
        raise PlanRefused(
            f"plan: help_v = {help_v:g} V, start_v = {start_v:g} V: wanted {env.cut_off_v:g} to {env.target_v:g} V, "
            "help_v below start_v; put them in order"
        )
    if not plan.dwell_s >= 1.0:
        raise PlanRefused(f"plan: dwell_s = {plan.dwell_s:g} s: at least 1 s, shorter is not settled; ask for more")
    help_word = plan.help if bench.one("supply") is not None else "none"
    filled = msgspec.structs.replace(
        plan,
        by=by,
        start_v=start_v,
        step_v=step_v,
        help=help_word,
        help_v=help_v,
        help_amps=_help_amps(plan, site, volts=start_v if by == "supply" else help_v),
        amps_max=_load_amps(plan, site) if by == "load" else plan.amps_max,
    )
    return filled, site


def _help_amps(plan: ChargeCeilingPlan, site: Site, *, volts: float) -> float | None:
    """The supply's limit, A: what the inverter may draw in a self-test, as far as the supply goes."""
    if site.bench.one("supply") is None:
        return None
    env = site.envelope
    if plan.help_amps is None:
        return min(env.charge_amps_max, CURRENT_MARGIN * power_before(site.ups) / volts)
    if not LEAST_AMPS <= plan.help_amps <= env.charge_amps_max * (1 + 1e-9):
        raise PlanRefused(
            f"plan: help_amps = {plan.help_amps:g} A: the limit is {env.charge_amps_max:g} A "
            f"({env.charge_amps_from}); ask for less"
        )
    return plan.help_amps


def charger_most(ups: UpsFile) -> float:
    """What no charger of this UPS comes to, A: more than that comes out of a battery that somebody left there."""
    return max(ups.rated_w / ups.nominal_dc_volts, LABEL_MARGIN * (ups.label_charge_a or 0.0))


def _load_amps(plan: ChargeCeilingPlan, site: Site) -> float:
    env, entry = site.envelope, site.bench.one("load")
    assert entry is not None
    bears = min(env.amps_max, math.inf if entry.max_watts is None else entry.max_watts / env.high_v)
    label = site.ups.label_charge_a
    amps = min(LOAD_SHARE * bears, charger_most(site.ups)) if plan.amps_max is None else plan.amps_max
    if not amps <= bears * (1 + 1e-9) or (label is not None and not label <= amps):
        least = "" if label is None else f", and the charger gives {label:g} A by its label"
        raise PlanRefused(
            f"plan: amps_max = {amps:.3g} A: {entry.name} bears {bears:.3g} A at {env.high_v:g} V{least}; use a "
            "stronger load, or by = supply for the open volts alone"
        )
    return amps


def forecast_charge_ceiling(plan: ChargeCeilingPlan, site: Site) -> Forecast:
    """Steps in order, at most: up to the trip level, two stages."""
    env, start_v = site.envelope, settled(plan.start_v)
    wait = Step("mains on: the charger starts on what stands in for the battery", plan.mains_wait_s)
    if plan.by == "supply":
        steps = (wait, Step("the charger drives the supply's node", plan.off_most_s))
        return Forecast(steps, start_v, env.high_v, ("mains on",))
    levels = math.ceil((env.target_v - start_v) / settled(plan.step_v))
    branch = 2 * len(SHARES) * plan.dwell_s + plan.taper_wait_s
    all_steps = (
        wait,
        Step(f"levels of {plan.step_v:g} V up to its knee", levels * plan.dwell_s + plan.off_most_s),
        Step("from 0.9 to 0.1 of its limit, once a stage", branch),
    )
    return Forecast(all_steps, min(start_v, settled(plan.help_v)), env.high_v, ("mains on",))
