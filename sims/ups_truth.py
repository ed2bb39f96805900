"""The true figures of a scenario's UPS, straight from what it is set to, under the plan's AC load.

Volts are those at the UPS's battery terminals at which it acts when they sink, or rise, slowly. ``idle_a`` is the
running draw without an AC load at the ceiling its label gives, or at 2.25 V a lead-acid cell where it gives none. The
charger's volts are those at the room's temperature; with a boost stage ``ceiling_v`` is the boost's, which is the
highest the battery gets.

Not modelled: nothing; a figure the UPS has not, such as the warning of one that never warns, is left out.
"""

from __future__ import annotations

from collections.abc import Mapping

from sims.charger import COMP_AT_C
from sims.scenario import Scenario
from sims.truth import Figure
from sims.ups_seeds import LEAD_CELL_V

FLOAT_V_CELL = 2.25
"""Usual float of a lead-acid cell (common practice, no source)."""


def true_ups_figures(scenario: Scenario) -> Mapping[str, Figure]:
    """Ids to figures of voltage-floor and charge-ceiling."""
    return {**_floor(scenario), **_ceiling(scenario)}


def ceiling_v(scenario: Scenario) -> float:
    """The highest volts the charger brings a battery to at the room's temperature, V."""
    charger = scenario.ups.spec.charger
    return _at_room(scenario, charger.boost_v if charger.boosts else charger.float_v)


def idle_v(scenario: Scenario) -> float:
    """Where the running draw is told, V: by the label, for who asks for it may not know the ceiling yet."""
    ups = scenario.ups
    return ups.label_ceiling_v or FLOAT_V_CELL * round(ups.nominal_dc_volts / LEAD_CELL_V)


def _at_room(scenario: Scenario, volts: float) -> float:
    return volts + scenario.ups.spec.charger.comp_v_per_k * (scenario.ambient_c - COMP_AT_C)


def _floor(scenario: Scenario) -> dict[str, Figure]:
    spec, ac_w = scenario.ups.spec, scenario.ups_plan.ac_load_w
    found = {
        "floor_v": Figure(spec.cutoff_at(ac_w), "V"),
        "dc_w": Figure(spec.dc_w(ac_w), "W"),
        "p_ac_w": Figure(ac_w, "W"),
        "latched": Figure(spec.latches, "1"),
        "idle_w": Figure(spec.idle_w, "W"),
        "idle_a": Figure(spec.idle_w / idle_v(scenario), "A"),
    }
    return found | {"warn_v": Figure(spec.warn_v, "V")} if spec.warns else found


def _ceiling(scenario: Scenario) -> dict[str, Figure]:
    charger, highest_v = scenario.ups.spec.charger, ceiling_v(scenario)
    found = {
        "ceiling_v": Figure(highest_v, "V"),
        "charger_r_ohm": Figure(charger.ohms, "Ohm"),
        "charge_a": Figure(charger.amps, "A"),
        "knee_v": Figure(highest_v - charger.ohms * charger.amps, "V"),
        "float_v": Figure(_at_room(scenario, charger.float_v), "V"),
    }
    return found | {"boost_v": Figure(highest_v, "V")} if charger.boosts else found
