"""What a c-rate run that died left: every step that had ended is whole in itself; the one it died in tells nothing."""

from __future__ import annotations

from harness.channels import Channels
from harness.history import Stretch
from harness.procedure import Found, Remains
from harness.result import Condition
from procedures.remains import DIED, at_least
from procedures.step_figures import Ladder, figures, not_measured, steps
from procedures.step_fold import HELD, StepFold


def c_rate_left(remains: Remains, *, fine_before_s: float) -> Found:
    """Figures of the steps that had ended. ``fine_before_s``: how long before a step its volts were taken, s."""
    plan = remains.plan
    stretches = [one for one in remains.history.stretches() if one.phase == "sink"]
    folds = [
        fold
        for rate_it, stretch in zip(plan.rates, stretches, strict=False)
        if (fold := _step(remains, stretch, rate_it=rate_it, fine_before_s=fine_before_s)).decided
    ]
    ladder = Ladder(folds, Channels(remains.site, remains.place))
    made = figures(ladder)
    conditions = {
        "step_s": Condition(value=plan.step_s, unit="s"),
        "rest_s": Condition(value=plan.rest_s, unit="s"),
        "end_v": Condition(value=plan.end_v, unit="V"),
        "rated_ah": Condition(value=remains.site.pack.rated_ah, unit="A.h"),
        "steps_planned": Condition(value=plan.rates_it),
        "steps_taken": Condition(value=len(folds)),
        "volts_measured": Condition(value=remains.place.words),
    }
    missing = {name: f"{DIED}; {why}" for name, why in not_measured(ladder, made).items()}
    lists = {"steps": steps(ladder)} if folds else {}
    over = len(folds) == len(plan.rates) or any(fold.step_end != HELD for fold in folds)
    if not over:
        made = at_least(made, made)
    return Found(made, f"{DIED}; steps that were over: {len(folds)}", conditions, missing, lists)


def _step(remains: Remains, stretch: Stretch, *, rate_it: float, fine_before_s: float) -> StepFold:
    plan, pack = remains.plan, remains.site.pack
    amps = rate_it * pack.rated_ah
    fold = StepFold(set_amps=amps, step_s=plan.step_s, end_v=plan.end_v, nominal_volts=pack.nominal_volts)
    for row in remains.history.resting(from_s=stretch.on_s - fine_before_s - 1.0, to_s=stretch.on_s):
        fold.rest(row.elapsed_s, row.pack_amps, row.pack_volts, temp_c=row.pack_temp_c)
    fold.switched(stretch.on_s)
    for row in stretch.rows:
        fold.push(row.elapsed_s, row.pack_amps, row.pack_volts, temp_c=row.pack_temp_c)
    return fold
