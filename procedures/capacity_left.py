"""What a capacity run that died left: the charge the pack had given until then, which its capacity is at least.

Where the discharge was over already, its figures are whole.
"""

from __future__ import annotations

import math

from harness.channels import Channels
from harness.history import Stretch
from harness.procedure import Found, Remains
from harness.result import Condition
from harness.uncertainty import BudgetLine
from procedures.capacity_figures import IDS, Discharged, figures, not_measured
from procedures.charge_figures import Charged
from procedures.charge_left import refolded
from procedures.charging import END_CURRENT, ChargeFold
from procedures.discharge import DischargeFold
from procedures.remains import DIED, at_least, last_of
from procedures.rest import RestFold

GROWS = ("capacity_ah", "capacity_wh", "retained_share")
"""Figures that can only have become more."""

STANDS = ("rate_it", "temp_start_c")
"""Figures that hold for what was seen."""


def capacity_left(remains: Remains) -> Found:
    """Figures of the discharge, whole when it had ended, else bounds."""
    site, plan = remains.site, remains.plan
    charged = refolded(remains, end_amps=plan.charge_end_amps) if plan.charge_first else None
    conditions = _conditions(remains, charged)
    stretch = last_of(remains, "sink")
    if stretch is None:
        return Found({}, DIED, conditions, dict.fromkeys(IDS, f"{DIED}: it died before the discharge"))
    fold = _discharge(remains, stretch)
    decided = fold.decided
    fold.give_up(DIED)
    channels = Channels(site, remains.place)
    before = _rest(remains, until_s=stretch.on_s)
    after = _whole_rest_after(remains, fold) if decided else RestFold()
    run = Discharged(fold, before, after, channels, end_at=plan.end_at, full_lines=_full_lines(remains, charged))
    if not math.isnan(before.minute.mean):
        conditions["rest_v"] = Condition(value=before.minute.mean, unit="V")
    made = figures(run)
    if decided:
        return Found(made, f"{DIED}, after: {fold.end_reason}", conditions, not_measured(run, made))
    kept = at_least(made, GROWS) | {name: made[name] for name in STANDS if name in made}
    why = f"{DIED} before the end of the discharge"
    return Found(kept, DIED, conditions, {name: why for name in IDS if name not in kept})


def _discharge(remains: Remains, stretch: Stretch) -> DischargeFold:
    site, plan = remains.site, remains.plan
    fold = DischargeFold(
        set_amps=plan.rate_it * site.pack.rated_ah,
        end_v=plan.end_v,
        nominal_volts=site.pack.nominal_volts,
        period_s=site.bench.loop_period_s,
        on_s=stretch.on_s,
    )
    load = site.bench.one("load")
    at_load = "" if load is None else f"{load.name}_volts"
    for row in stretch.rows:
        end_volts = row.pack_volts if plan.end_at == "pack" else row.readings.get(at_load, math.nan)
        fold.push(row.elapsed_s, row.pack_amps, row.pack_volts, end_volts=end_volts, temp_c=row.pack_temp_c)
    return fold


def _rest(remains: Remains, *, from_s: float = -math.inf, until_s: float = math.inf) -> RestFold:
    """The rest that ended at ``until_s``, or began at ``from_s``."""
    charged = last_of(remains, "source")
    if charged is not None and charged.rows and from_s == -math.inf:
        from_s = charged.rows[-1].elapsed_s
    fold = RestFold()
    for row in remains.history.resting(from_s=from_s, to_s=until_s):
        fold.push(row.elapsed_s, row.pack_volts)
    return fold


def _whole_rest_after(remains: Remains, fold: DischargeFold) -> RestFold:
    """The rest after the discharge; an empty one when it was cut off: its volts are not those that were asked for."""
    after = _rest(remains, from_s=fold.end_s)
    short_by_s = remains.plan.rest_after_s - after.seconds
    return after if short_by_s <= 3.0 * remains.site.bench.loop_period_s else RestFold()


def _full_lines(remains: Remains, charged: ChargeFold | None) -> tuple[BudgetLine, ...]:
    plan = remains.plan
    if charged is None or charged.end_reason != END_CURRENT:
        return ()
    channels = Channels(remains.site, remains.place)
    return tuple(Charged(charged, channels, set_amps=plan.charge_amps, set_volts=plan.charge_volts).end_lines())


def _conditions(remains: Remains, charged: ChargeFold | None) -> dict[str, Condition]:
    pack, plan = remains.site.pack, remains.plan
    made = {
        "set_amps": Condition(value=plan.rate_it * pack.rated_ah, unit="A"),
        "end_v": Condition(value=plan.end_v, unit="V"),
        "end_at": Condition(value=f"{plan.end_at} terminals"),
        "volts_measured": Condition(value=remains.place.words),
        "rated_ah": Condition(value=pack.rated_ah, unit="A.h"),
        "charged": Condition(value="by this run" if plan.charge_first else "before this run, not seen by it"),
    }
    if charged is not None:
        made["charge_end"] = Condition(value=charged.end_reason or "the run died before it")
        made["charge_in_ah"] = Condition(value=charged.put_in[0], unit="A.h")
    return made
