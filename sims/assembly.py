"""From a scenario to a world: cells, pack, UPS, ports and leads put together.

Not modelled: contact resistance of clips and terminals (it is counted in the leads).
"""

from __future__ import annotations

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.ocv import TABLES, Table
from sims.pack import Pack
from sims.scenario import PackFacts, Scenario
from sims.supply import SupplyPort
from sims.ups import Ups
from sims.world import Leads, World

MILLI = 1e-3


def build_pack(facts: PackFacts, *, ambient_c: float) -> Pack:
    """The pack at rest at room temperature."""
    cell = facts.cell
    mean_ah = sum(facts.capacity_ah) / len(facts.capacity_ah)
    spec = CellSpec(
        ocv=TABLES[facts.chemistry],
        capacity_ah=mean_ah,
        r0=cell.r0_mohm * MILLI,
        r1=cell.r1_mohm * MILLI,
        tau1_s=cell.tau1_s,
        r2=cell.r2_mohm * MILLI,
        tau2_s=cell.tau2_s,
        hyst_volts=cell.hysteresis_mv * MILLI,
        hyst_gamma=cell.hysteresis_rate,
        heat_j_per_k=cell.heat_capacity_j_per_k,
        heat_loss_w_per_k=cell.heat_loss_w_per_k,
        coulombic=cell.coulombic_share,
        surface_tau_s=cell.surface_tau_s,
        r0_scale=Table(cell.r0_rise_share, cell.r0_rise) if cell.r0_rise_share else None,
    )
    starts = tuple(
        CellStart(z0=share, capacity_factor=ah / mean_ah, r_factor=factor)
        for share, ah, factor in zip(facts.start_share, facts.capacity_ah, facts.r_factor, strict=True)
    )
    return Pack(
        cell=spec,
        cells=starts,
        bms=_bms(facts),
        r_bms=facts.bms.resistance_mohm * MILLI,
        temp_c=ambient_c,
        reversed_=facts.wiring == "reversed",
        asleep=facts.wiring == "asleep",
    )


def _bms(facts: PackFacts) -> BmsSpec:
    """Voltages from the scenario; over-currents in proportion to what the label allows (common practice, no source)."""
    most = facts.discharge_amps_max
    return BmsSpec(
        cell_high_volts=facts.bms.cell_high_volts,
        cell_low_volts=facts.bms.cell_low_volts,
        amps_slow=1.2 * most,
        amps_fast=2.5 * most,
        amps_short=8.0 * most,
        charge_amps=1.2 * facts.charge_amps_max,
    )


def build_ups(scenario: Scenario) -> Ups:
    """The UPS off mains. What hangs on its output does so from the start where no switch is fitted for it."""
    return Ups(scenario.ups.spec, ac_load_w=scenario.ups_plan.ac_load_w, ac_load_on="acload" not in scenario.fitted)


def build_world(scenario: Scenario) -> World:
    """The bench as wired at first: supply and load on their leads at the pack's terminals, the UPS beside it."""
    load = scenario.load
    world = World(
        pack=build_pack(scenario.pack, ambient_c=scenario.ambient_c),
        supply=_supply_port(scenario),
        load=LoadPort(
            volts_max=load.volts_max,
            amps_max=load.amps_max,
            watts_max=load.watts_max,
            r_min=load.knee_mohm * MILLI,
            remote_sense=load.sense == "remote",
        ),
        leads=Leads(r_supply=scenario.supply_lead_mohm * MILLI, r_load=scenario.load_lead_mohm * MILLI),
        ambient_c=scenario.ambient_c,
        ups=build_ups(scenario),
    )
    world.hook_up("pack")
    return world


def build_open_world(scenario: Scenario) -> World:
    """One more output of the same supply, nothing on its terminals."""
    return World(pack=None, supply=_supply_port(scenario), ambient_c=scenario.ambient_c)


def _supply_port(scenario: Scenario) -> SupplyPort:
    supply = scenario.supply
    return SupplyPort(
        volts_max=supply.volts_max,
        amps_max=supply.amps_max,
        i_bleed=supply.bleed_amps,
        r_bleed=supply.bleed_kohm * 1e3,
        remote_sense=supply.sense == "remote",
    )


def build_ideal_world(scenario: Scenario) -> World:
    """The same pack with ideal instruments right at its terminals: no leads, no bleed, no limits in the way."""
    return _ideal(scenario, pack=build_pack(scenario.pack, ambient_c=scenario.ambient_c))


def build_ideal_ups_world(scenario: Scenario) -> World:
    """The UPS alone with such instruments at its battery terminals."""
    return _ideal(scenario, ups=build_ups(scenario))


def _ideal(scenario: Scenario, *, pack: Pack | None = None, ups: Ups | None = None) -> World:
    return World(
        pack=pack,
        ups=ups,
        supply=SupplyPort(volts_max=1e3, amps_max=1e3, r_source=1e-6, i_bleed=0.0, r_bleed=1e12),
        load=LoadPort(volts_max=1e3, amps_max=1e3, r_min=1e-3),
        leads=Leads(r_supply=0.0, r_load=0.0),
        ambient_c=scenario.ambient_c,
    )
