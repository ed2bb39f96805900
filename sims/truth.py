"""The true figures of a scenario: what ideal instruments would find under its plan.

From the scenario's first state, on a world of its own: charge at constant current then constant volts at the pack's
terminals until the current has been at or under the end current for 10 s, rest, discharge at constant current down to
the end voltage at the terminals, rest. Charge and energy are the world's own running integrals.

Not modelled: nothing beyond what the world leaves out; a figure that the scenario does not reach is left out here too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from sims.assembly import build_ideal_world
from sims.scenario import PlanFacts, Scenario
from sims.world import World

HELD_S = 10.0
"""How long the end current has to be held."""

CV_BAND_V = 0.010
"""How close to the programmed volts counts as reached."""

FINEST_S = 1e-3
STEP_S = 4.0
SWITCH_ON_S = 5.0
OPENED_SHARE = 0.01
LONGEST_S = 48 * 3600.0
LAST_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class Figure:
    """A true value with its UCUM unit."""

    value: float | bool
    unit: str

    def as_dict(self) -> dict[str, float | bool | str]:
        """Plain data for a file."""
        return {"value": self.value, "unit": self.unit}


@lru_cache(maxsize=32)
def true_figures(scenario: Scenario) -> Mapping[str, Figure]:
    """Ids to figures of charge and capacity; empty when the pack cannot be charged as it hangs on the bench."""
    if not can_be_charged(scenario):
        return {}
    world, charged = charged_world(scenario)
    return {**charged, **_discharge(world.copy(), scenario)}


def can_be_charged(scenario: Scenario) -> bool:
    """Does the pack of the story hang on the bench, the right way round and awake?"""
    return scenario.pack.wiring == "right" and not scenario.pack.label_cells_in_series


@lru_cache(maxsize=4)
def charged_world(scenario: Scenario) -> tuple[World, Mapping[str, Figure]]:
    """An ideal world after charge and rest (to be copied before it is moved on), and the figures of the charge."""
    world = build_ideal_world(scenario)
    world.long_steps(STEP_S)
    world, charged = _charge(world, scenario.plan)
    world.advance_to(world.t + scenario.plan.rest_s)
    return world, charged


def _until(world: World, done: Callable[[World], bool], *, step_s: float = 60.0) -> World:
    """The world at the first moment a condition holds, found to a millisecond by going back and taking a tenth of the
    step; or as it is after ``LONGEST_S``. The condition must not come and go within a step."""
    end_s = world.t + LONGEST_S
    while world.t < end_s and not done(world):
        before = world.copy()
        world.advance_to(world.t + step_s)
        if step_s > FINEST_S and done(world):
            world, step_s = before, step_s / 10.0
    return world


def _charge(world: World, plan: PlanFacts) -> tuple[World, dict[str, Figure]]:
    supply = world.supply
    assert supply is not None
    supply.volts_set, supply.amps_set, supply.output_on = plan.charge_volts, plan.charge_amps, True
    world.changed()
    ah, wh = world.charge_ah, world.energy_wh

    def full_volts(now: World) -> bool:
        return now.volts_at("pack") >= plan.charge_volts - CV_BAND_V

    world = _until(world, full_volts)
    cv_from_s = world.t
    world = _until(world, lambda now: now.supply_amps <= plan.end_amps)
    cv_s = world.t - cv_from_s
    world.advance_to(world.t + HELD_S)
    found = {"charge_in_ah": Figure(ah - world.charge_ah, "A.h"), "charge_in_wh": Figure(wh - world.energy_wh, "W.h")}
    # A pack that opened by itself took no last ampere: then there is no tail to give figures of.
    if world.supply_amps > OPENED_SHARE * plan.charge_amps:
        found |= {"cv_s": Figure(cv_s, "s"), "end_a": Figure(world.supply_amps, "A")}
    supply = world.supply
    assert supply is not None
    supply.output_on = False
    world.changed()
    return world, found


def _discharge(world: World, scenario: Scenario) -> dict[str, Figure]:
    plan, amps = scenario.plan, scenario.plan.rate_it * scenario.pack.rated_ah
    load = world.load
    assert load is not None
    start_c, start_s = world.temp_c("pack"), world.t
    load.function, load.amps_set, load.input_on = "cc", amps, True
    world.changed()
    ah, wh = world.charge_ah, world.energy_wh
    last_v = world.volts_at("pack")

    def ended(now: World) -> bool:
        nonlocal last_v
        if now.volts_at("pack") > plan.end_volts and now.load_amps > 0.5 * amps:
            last_v = now.volts_at("pack")
            return False
        # The dip at switch-on is no end.
        return now.t - start_s > SWITCH_ON_S

    world = _until(world, ended)
    ah, wh, end_c = world.charge_ah - ah, world.energy_wh - wh, world.temp_c("pack")
    opened = world.load_amps <= 0.5 * amps
    found = {
        "capacity_ah": Figure(ah, "A.h"),
        "capacity_wh": Figure(wh, "W.h"),
        "mean_v": Figure(wh / ah, "V"),
        "temp_start_c": Figure(start_c, "Cel"),
        "temp_end_c": Figure(end_c, "Cel"),
        "rise_k": Figure(end_c - start_c, "K"),
    }
    if opened:
        # Behind open switches the terminals tell nothing, so there is no recovery to speak of.
        return found | {"last_v": Figure(last_v, "V")}
    return found | {"end_v": Figure(plan.end_volts, "V"), "recovery_v": Figure(_recovery_v(world, plan), "V")}


def _recovery_v(world: World, plan: PlanFacts) -> float:
    """Mean volts over the last minute of the rest after the discharge."""
    load = world.load
    assert load is not None
    load.input_on = False
    world.changed()
    world.advance_to(world.t + plan.rest_after_s - LAST_MINUTE_S)
    volts = []
    for _ in range(int(LAST_MINUTE_S)):
        world.advance_to(world.t + 1.0)
        volts.append(world.volts_at("pack"))
    return sum(volts) / len(volts)
