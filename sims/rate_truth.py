"""The highest current the pack of a scenario holds: the steps of its plan, one after the other, on an ideal bench.

The state the steps start from is the one after the plan's charge and rest; each step begins after a rest with no
current. A step counts as held when the pack still carries it at the step's end and its terminals have stayed above the
end voltage. Steps after one that was not held are not tried: what they begin with would be another state.

Not modelled: nothing beyond what the world leaves out.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from sims.scenario import Scenario
from sims.truth import Figure, can_be_charged, charged_world
from sims.world import World

HELD_SHARE = 0.5
"""Below this share of its set current the load no longer gets what it asks for."""


@lru_cache(maxsize=32)
def true_rate_figures(scenario: Scenario) -> Mapping[str, Figure]:
    """``held_it_max`` (It) and ``held_a_max`` (A) of the plan's steps; empty when not even the first is held."""
    if not can_be_charged(scenario):
        return {}
    world, plan = charged_world(scenario)[0].copy(), scenario.ups_plan
    held_it = 0.0
    for rate_it in sorted(plan.steps_it):
        world.advance_to(world.t + plan.step_rest_s)
        if not _held(world, rate_it * scenario.pack.rated_ah, scenario):
            break
        held_it = rate_it
    if not held_it:
        return {}
    return {"held_it_max": Figure(held_it, "1"), "held_a_max": Figure(held_it * scenario.pack.rated_ah, "A")}


def _held(world: World, amps: float, scenario: Scenario) -> bool:
    load = world.load
    assert load is not None
    load.function, load.amps_set, load.input_on = "cc", amps, True
    world.changed()
    until_s, held = world.t + scenario.ups_plan.step_s, True
    while held and world.t < until_s:
        world.advance_to(min(world.t + 1.0, until_s))
        held = world.load_amps > HELD_SHARE * amps and world.volts_at("pack") > scenario.plan.end_volts
    load.input_on = False
    world.changed()
    return held
