"""Load a rested pack with one current after another, each for the same time: which it holds, how far it sags.

Each step begins from rest. Samples are taken ten times a second from before the step to 12 s after it, for the
resistance at 1 and 10 s. A step at which the pack opens by its own switch is a result, and the last one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import Annotated

import msgspec

from harness.bench import Bench
from harness.channels import Channels
from harness.errors import PlanRefused
from harness.limits import envelope
from harness.procedure import Forecast, Found, Procedure, Step
from harness.result import Condition
from harness.site import Site
from procedures.c_rate_left import c_rate_left
from procedures.plans import Seconds, Volts, all_finite
from procedures.step_figures import IDS, Ladder, figures, not_measured, steps
from procedures.step_fold import FINE_PERIOD_S, HELD, StepFold

DEFAULT_RATES = "0.2 0.5 1 2"
RATE_BOUNDS_IT = (0.01, 10.0)
FINE_BEFORE_S = 5.0
FINE_AFTER_S = 12.0

ALL_HELD = "all steps held"


class CRatePlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which steps to take. Open keys (none) are taken from pack and bench."""

    rates_it: Annotated[
        str | None,
        msgspec.Meta(description="rates in It, rising, apart by blanks; default 0.2 0.5 1 2, as far as all bear it"),
    ] = None
    step_s: Annotated[Seconds, msgspec.Meta(description="how long each step is held")] = 60.0
    rest_s: Annotated[Seconds, msgspec.Meta(description="rest before each step")] = 120.0
    end_v: Annotated[
        Volts | None, msgspec.Meta(description="end voltage at the pack; default the pack file's, or its chemistry's")
    ] = None

    @property
    def rates(self) -> tuple[float, ...]:
        """The rates as numbers, It."""
        return _rates(self.rates_it or DEFAULT_RATES)


def c_rate(bench: Bench, *, plan: CRatePlan) -> Found:
    """Take the steps of ``plan``; every key settled."""
    folds: list[StepFold] = []
    for rate_it in plan.rates:
        fold = _step(bench, plan, amps=rate_it * bench.site.pack.rated_ah)
        folds.append(fold)
        if fold.step_end != HELD:
            break
    ladder = Ladder(folds, Channels(bench.site, bench.place))
    found = figures(ladder)
    last = folds[-1]
    reason = ALL_HELD if last.step_end == HELD else f"{last.step_end} at {last.set_amps:g} A"
    lists = {"steps": steps(ladder)}
    return Found(found, reason, _conditions(bench, plan, folds), not_measured(ladder, found), lists)


def _step(bench: Bench, plan: CRatePlan, *, amps: float) -> StepFold:
    assert plan.end_v is not None
    fold = StepFold(set_amps=amps, step_s=plan.step_s, end_v=plan.end_v, nominal_volts=bench.site.pack.nominal_volts)
    for _ in bench.rest(for_s=max(0.0, plan.rest_s - FINE_BEFORE_S)):
        pass
    for sample in bench.samples(every_s=_fine_s(bench), for_s=FINE_BEFORE_S):
        fold.rest(sample.elapsed_s, sample.pack_amps, sample.pack_volts, temp_c=sample.pack_temp_c)
    with bench.sinking(amps=amps, longest_s=plan.step_s + 30.0) as sink:
        fold.switched(sink.on_s)
        for every_s, for_s in ((_fine_s(bench), FINE_AFTER_S), (bench.period_s, None)):
            for sample in bench.samples(every_s=every_s, for_s=for_s):
                fold.push(sample.elapsed_s, sample.pack_amps, sample.pack_volts, temp_c=sample.pack_temp_c)
                if fold.decided:
                    return fold
    return fold


def _fine_s(bench: Bench) -> float:
    return min(FINE_PERIOD_S, bench.period_s)


def _conditions(bench: Bench, plan: CRatePlan, folds: list[StepFold]) -> dict[str, Condition]:
    made = {
        "step_s": Condition(value=plan.step_s, unit="s"),
        "rest_s": Condition(value=plan.rest_s, unit="s"),
        "end_v": Condition(value=plan.end_v, unit="V"),
        "rated_ah": Condition(value=bench.site.pack.rated_ah, unit="A.h"),
        "steps_planned": Condition(value=plan.rates_it),
        "steps_taken": Condition(value=len(folds)),
        "volts_measured": Condition(value=bench.place.words),
    }
    if not math.isnan(folds[0].rest_v):
        made["rest_v"] = Condition(value=folds[0].rest_v, unit="V")
    temps = [temp for fold in folds for _, temp in fold.temps]
    if temps:
        made["temp_start_c"] = Condition(value=temps[0], unit="Cel")
        made["temp_max_c"] = Condition(value=max(temps), unit="Cel")
    return made


def settle_c_rate(plan: CRatePlan, site: Site) -> tuple[CRatePlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` for a rate that pack or bench do not bear, and for rates that do not
    rise. Without ``rates_it`` the usual ones are taken, as far as they are allowed."""
    all_finite(plan)
    rated = site.pack.rated_ah
    env = envelope(pack=site.pack, bench=site.bench, end_volts=plan.end_v)
    asked = plan.rates
    most_it = env.amps_max * (1 + 1e-9) / rated
    allowed = tuple(rate for rate in asked if rate <= most_it)
    if not allowed or (plan.rates_it is not None and len(allowed) < len(asked)):
        over = next(rate for rate in asked if not rate <= most_it)
        raise PlanRefused(
            f"plan: rates_it: {over:g} It asks {over * rated:g} A: the limit is {env.amps_max:g} A ({env.amps_from}); "
            f"use rates up to {env.amps_max / rated:.3g}"
        )
    env = envelope(pack=site.pack, bench=site.bench, end_volts=plan.end_v, rate_it=allowed[-1])
    if not plan.step_s >= 1.0:
        raise PlanRefused(f"plan: step_s = {plan.step_s:g} s: at least 1 s, shorter tells nothing; ask for more")
    if not plan.rest_s >= FINE_BEFORE_S:
        raise PlanRefused(
            f"plan: rest_s = {plan.rest_s:g} s: at least {FINE_BEFORE_S:g} s, for volts before the step; rest longer"
        )
    words = " ".join(f"{rate:g}" for rate in allowed)
    return msgspec.structs.replace(plan, rates_it=words, end_v=env.cut_off_v), replace(site, envelope=env)


def _rates(words: str) -> tuple[float, ...]:
    low, high = RATE_BOUNDS_IT
    found: list[float] = []
    for word in words.split():
        try:
            rate = float(word)
        except ValueError:
            raise PlanRefused(f'plan: rates_it: "{word}" is no number; write rates like "{DEFAULT_RATES}"') from None
        if not low <= rate <= high:
            raise PlanRefused(
                f"plan: rates_it: {word} It: rates lie between {low:g} and {high:g} It; write one of those"
            )
        if found and not rate > found[-1]:
            raise PlanRefused(f"plan: rates_it: {word} It after {found[-1]:g} It: steps rise; put them in order")
        found.append(rate)
    if not found:
        raise PlanRefused(f'plan: rates_it is empty; write rates like "{DEFAULT_RATES}"')
    return tuple(found)


def forecast_c_rate(plan: CRatePlan, site: Site) -> Forecast:
    """Rest and step, one pair a rate; heat when the pack file gives a resistance."""
    made: list[Step] = []
    mohm = site.pack.resistance_mohm
    for rate_it in plan.rates:
        amps, hours = rate_it * site.pack.rated_ah, plan.step_s / 3600.0
        heat = None if mohm is None else amps**2 * mohm / 1000.0 * hours
        made += [Step("rest", plan.rest_s), Step(f"step at {amps:g} A", plan.step_s, amps, amps * hours, heat)]
    return Forecast(tuple(made), site.envelope.cut_off_v, site.envelope.target_v)


PROCEDURE = Procedure(
    name="c-rate",
    about="load a rested pack with rising currents: which it holds, volts under them, resistance at 1 and 10 s",
    ids=IDS,
    run=c_rate,
    plan_type=CRatePlan,
    settle=settle_c_rate,
    forecast=forecast_c_rate,
    needs=lambda plan: ("load",),
    phases=("rest", "sink"),
    left=partial(c_rate_left, fine_before_s=FINE_BEFORE_S),
    after_stop="Steps are compared from rest: the ladder begins anew, with `run`, from its first rest.",
)

__all__ = ["PROCEDURE", "CRatePlan", "c_rate", "forecast_c_rate", "settle_c_rate"]
