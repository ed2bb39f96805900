"""What a charge that died left: the charge that went in until then, or all of it when it was over already."""

from __future__ import annotations

from harness.channels import Channels
from harness.procedure import Found, Remains
from procedures.charge_figures import IDS, Charged, figures
from procedures.charging import ChargeFold
from procedures.remains import DIED, at_least, last_of


def refolded(remains: Remains, *, end_amps: float) -> ChargeFold | None:
    """The fold over the record's charge; None where nothing was charged."""
    stretch = last_of(remains, "source")
    if stretch is None:
        return None
    site = remains.site
    fold = ChargeFold(end_amps=end_amps, period_s=site.bench.loop_period_s, on_s=stretch.on_s)
    supply = site.bench.one("supply")
    held = "" if supply is None else f"{supply.name}_volts"
    for row in stretch.rows:
        volts = row.readings.get(held, float("nan"))
        fold.push(row.elapsed_s, row.pack_amps, row.pack_volts, held_volts=volts, temp_c=row.pack_temp_c)
    return fold


def charge_left(remains: Remains) -> Found:
    """Figures of the charge, whole when it had ended, else bounds."""
    plan = remains.plan
    fold = refolded(remains, end_amps=plan.end_amps)
    if fold is None:
        return Found({}, DIED, {}, dict.fromkeys(IDS, f"{DIED}: nothing was charged before"))
    made = figures(Charged(fold, Channels(remains.site, remains.place), set_amps=plan.amps, set_volts=plan.volts))
    reason = f"{DIED}, after: {fold.end_reason}" if fold.decided else DIED
    if not fold.decided:
        made = at_least(made, ("charge_in_ah", "charge_in_wh"))
    why = f"{DIED} before the end of the charge"
    return Found(made, reason, {}, {name: why for name in IDS if name not in made})
