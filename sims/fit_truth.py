"""True figures of a pack on a UPS: what ideal instruments would find on the two of them, given all the time it takes.

The pack is first charged as the plan says: that is full, and its charge is the true ``capacity_ah``. Then it is kept on
the UPS for long, and mains is lost with the site's load on the output; nothing lies between pack and UPS.

``charge_share``: of that charge, after the float. ``usable_ah``, ``usable_wh`` (into the UPS) and ``runtime_s`` at the
site's usual load. ``floor_margin_v``: volts at which the UPS cuts off less those just before the pack would open, and
``discharge_current_margin_a``: the pack's limit less the current at the cut-off, both at the site's largest load.
``load_w_max``: largest load up to rated at which neither margin is negative; how strong the charger is does not matter
for it.

Not modelled: nothing beyond what the world leaves out; the drop of leads between pack and UPS.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from sims.hold_up import BY_UPS, HoldUp, floated, held_up, lowered, on_battery, opens_at
from sims.pack import Pack
from sims.scenario import Scenario
from sims.truth import Figure, can_be_charged, charged_world, true_figures
from sims.ups_truth import true_ups_figures

LOADS = 6
"""In so many steps of load the floor's margin is looked at before the largest load is closed in on."""

NEAR_W = 0.1
NEARER_W = 1e-6
"""How near the largest load is found by the floor's margin, which has to be played, and by the current."""

END_SHARE = 0.06
"""Where a discharge is entered, by the weakest cell, when only its end is asked for."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The pack after a long float on the UPS, and the charge it lacks against full, Ah."""

    pack: Pack
    lacking_ah: float


@lru_cache(maxsize=32)
def true_fit_figures(scenario: Scenario) -> Mapping[str, Figure]:
    """Ids to figures; empty when the pack cannot be charged as it hangs on the bench."""
    if not can_be_charged(scenario):
        return {}
    usual, worst = true_hold_up(scenario, scenario.site.load_w), true_hold_up(scenario, worst_w(scenario))
    return {
        "charge_share": Figure(1.0 - kept(scenario).lacking_ah / full_ah(scenario), "1"),
        "usable_ah": Figure(usual.charge_ah, "A.h"),
        "usable_wh": Figure(usual.energy_wh, "W.h"),
        "floor_margin_v": Figure(scenario.ups.spec.cutoff_at(worst_w(scenario)) - worst.opens_v, "V"),
        "charge_current_margin_a": Figure(scenario.pack.charge_amps_max - scenario.ups.spec.charger.amps, "A"),
        "discharge_current_margin_a": Figure(_current_margin(scenario, worst_w(scenario)), "A"),
        "load_w_max": Figure(_largest_load(scenario), "W"),
        "runtime_s": Figure(usual.seconds, "s"),
    }


def worst_w(scenario: Scenario) -> float:
    """The largest load that may come, W."""
    return max(scenario.site.load_w, scenario.site.load_w_max)


def full_ah(scenario: Scenario) -> float:
    """What the charged pack gives at the plan's rate down to its end volts, Ah."""
    return float(true_figures(scenario)["capacity_ah"].value)


@lru_cache(maxsize=4)
def kept(scenario: Scenario) -> Kept:
    """The pack on the UPS, mains on, after long."""
    float_v = float(true_ups_figures(scenario)["float_v"].value)
    return Kept(*floated(charged_world(scenario)[0].pack, volts=float_v))


@lru_cache(maxsize=16)
def true_hold_up(scenario: Scenario, ac_w: float) -> HoldUp:
    """What it gives from there with ``ac_w`` W on the output."""
    return held_up(kept(scenario).pack, scenario.ups.spec, ac_w=ac_w, room_c=scenario.ambient_c)


def _current_margin(scenario: Scenario, ac_w: float) -> float:
    spec = scenario.ups.spec
    return scenario.pack.discharge_amps_max - spec.dc_w(ac_w) / spec.cutoff_at(ac_w)


def _largest_load(scenario: Scenario) -> float:
    """W. The current rises with load, so it is closed in on at once; the floor's margin may go either way."""
    rated = scenario.ups.rated_w
    allowed = _closed_in(lambda ac_w: _current_margin(scenario, ac_w) >= 0.0, 0.0, rated, NEARER_W)
    if _stops_first(scenario, allowed):
        return allowed
    grid = [allowed * n / LOADS for n in range(LOADS - 1, 0, -1)]
    good = next((ac_w for ac_w in grid if _stops_first(scenario, ac_w)), 0.0)
    return _closed_in(lambda ac_w: _stops_first(scenario, ac_w), good, good + allowed / LOADS, NEAR_W) if good else 0.0


def _closed_in(holds: Callable[[float], bool], low: float, high: float, within: float) -> float:
    """The largest value at which it still holds, above one at which it does."""
    if holds(high):
        return high
    while high - low > within:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _stops_first(scenario: Scenario, ac_w: float) -> bool:
    """Does the UPS stop before the pack opens? Only the end of the discharge is played."""
    spec = scenario.ups.spec
    if ac_w in (scenario.site.load_w, worst_w(scenario)):
        return true_hold_up(scenario, ac_w).ended_by == BY_UPS
    full = kept(scenario).pack
    down = min((z - END_SHARE) * c for z, c in zip(full.z, full.model.coulombs, strict=True))
    pack = lowered(full, max(down, 0.0), hyst=-1.0)
    amps, cells = spec.dc_w(ac_w) / spec.cutoff_at(ac_w), pack.cells
    cells.v1 = [amps * r * f for r, f in zip(pack.model.r1, cells.factor, strict=True)]
    cells.v2 = [amps * r * f for r, f in zip(pack.model.r2, cells.factor, strict=True)]
    pack.model.refresh(cells)
    world = on_battery(pack, spec, ac_w=ac_w, room_c=scenario.ambient_c)
    return spec.cutoff_at(ac_w) >= opens_at(world)
