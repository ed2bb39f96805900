"""The simulated UPS against trajectories computed independently with numpy + scipy, at the agreement stated there.

Rows within 10 ms of an event may differ and are not compared.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
import trajectories as ref

from sims.load import LoadPort
from sims.supply import SupplyPort
from sims.ups import ChargerSpec, Ups, UpsSpec
from sims.world import Leads, World

NEAR_EVENT_S = 0.010
IDLE_AMPS = 1e-6
"""A current of nothing in the file may be this much here: dividers draw a little."""

MODES = {"ac": ("mains",), "inverter": ("battery", "battery low", "self-test"), "off": ("latched off",)}


def spec_of(ups: dict[str, Any]) -> UpsSpec:
    """A UPS as the case has it."""
    shares, etas = ups["eta_table"]
    charger = ChargerSpec(
        float_v=ups["charger_v"], amps=ups["charger_a"], ohms=ups["charger_r"], delay_s=ups["charger_delay_s"],
        ramp_s=ups["charger_ramp_s"], comp_v_per_k=ups.get("comp_v_per_k", 0.0), pre_v=ups.get("pre_v", 0.0),
        pre_amps=ups.get("pre_a", 0.0), present_v=ups.get("present_v", 12.0),
    )  # fmt: skip
    return UpsSpec(
        rated_w=ups["rated_w"], idle_w=ups["p_idle_w"], efficiency_share=tuple(shares), efficiency=tuple(etas),
        transfer_s=ups["transfer_s"], cutoff_v=ups["cutoff_v"], cutoff_hold_s=ups["cutoff_hold_s"],
        filter_tau_s=ups["filter_tau_s"], warn_v=ups["warn_v"], warn_release_v=ups["warn_release_v"],
        warn_hold_s=ups["warn_hold_s"], off_amps=ups["off_a"], ac_qualify_s=ups["ac_qualify_s"],
        selftest_after_s=ups["selftest_after_s"], selftest_s=ups["selftest_s"], charger=charger,
    )  # fmt: skip


def happened(world: World, what: str) -> float:
    """When the world told of this for the first time, s."""
    return next(e.t_s for e in world.events if e.what == what)


def floor_bench(params: dict[str, Any]) -> World:
    """A one-quadrant supply on its leads at the battery terminals of a UPS that has stood on mains power."""
    told = params["supply"]
    supply = SupplyPort(
        volts_set=told["v0"], amps_set=told["i_limit_a"], output_on=True, r_source=0.0, i_bleed=told["bleed_a"],
        r_bleed=math.inf,
    )  # fmt: skip
    ups = Ups(spec_of(params["ups"]), mains_on=True, ac_load_w=params["ups"]["p_ac_w"])
    world = World(pack=None, supply=supply, ups=ups, leads=Leads(r_supply=told["r_lead"]))
    supply.slew = told["slew_v_per_s"]
    return world


def act(world: World, what: str, figure: float) -> None:
    """One line of the case's schedule."""
    assert world.supply is not None
    assert world.ups is not None
    if what == "supply_v":
        world.supply.volts_set = figure
    else:
        world.ups.mains_on = what == "ac_on"
    world.changed()


@pytest.mark.parametrize("outer_s", [0.1, 1.0, 10.0])
def test_staircase_of_a_supply_that_stands_in_for_the_battery(outer_s: float) -> None:
    case = ref.load_case("ups-floor")
    world, agreed = floor_bench(case.params), case.agreement
    schedule = [tuple(line) for line in case.params["schedule"]]
    events = [e["t_s"] for e in case.events]
    charger = [t + case.params["ups"]["charger_delay_s"] for t in (103.0, 139.0)]
    compared = 0
    for row in case.rows:
        while schedule and schedule[0][0] < row["t_s"]:
            at_s, what, figure = schedule.pop(0)
            ref.advance(world, at_s, outer_s=outer_s)
            act(world, what, figure)
        ref.advance(world, row["t_s"], outer_s=outer_s)
        if any(abs(row["t_s"] - t) < NEAR_EVENT_S for t in (*events, *charger)):
            continue
        compared += 1
        assert world.ups is not None
        assert world.supply is not None
        assert world.volts_at("supply") == pytest.approx(row["supply_v"], abs=agreed["volts"])
        assert world.volts_at("ups") == pytest.approx(row["ups_v"], abs=agreed["volts"])
        assert world.ups.filtered_volts == pytest.approx(row["filtered_v"], abs=agreed["volts"])
        assert world.supply_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]), abs=IDLE_AMPS)
        assert world.ups.state in MODES[row["ups_mode"]]
        assert world.supply.mode == row["supply_mode"].lower()
        assert world.ups.warning == bool(row["warning"])
    assert compared > 500
    for event, what in (
        ("inverter on", "ups: on battery"), ("low-battery warning on", "ups: warning on"),
        ("cut-off, latched off", "ups: off, cut-off"), ("on mains", "ups: on mains"),
        ("self-test starts", "ups: self-test begins"), ("self-test ends", "ups: self-test ends"),
    ):  # fmt: skip
        exact_s = next(e["t_s"] for e in case.events if e["event"] == event)
        assert happened(world, what) == pytest.approx(exact_s, abs=case.due(exact_s)), event
    found = case.results
    assert world.ups is not None
    assert world.ups.spec.dc_w(120.0) == pytest.approx(found["p_dc_w"], rel=1e-12)


def test_charger_traced_by_a_load_at_constant_volts() -> None:
    """Between the pulses nothing holds the open terminals here, so of the rows before a battery is seen only the
    current counts, and the volts while a pulse flows."""
    case = ref.load_case("ups-charger")
    agreed, world, load = case.agreement, None, LoadPort()
    for row in case.rows:
        if world is None or world.ambient_c != row["temp_c"]:
            ups = Ups(spec_of(case.params["ups"]), mains_on=True)
            load = LoadPort(function="cv", volts_set=row["load_set_v"], input_on=True)
            world = World(
                pack=None, load=load, ups=ups, leads=Leads(r_load=case.params["r_lead"]), ambient_c=row["temp_c"]
            )  # fmt: skip
        load.volts_set = row["load_set_v"]
        world.changed()
        world.advance_to(world.t + 19.99)
        assert world.load_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]), abs=IDLE_AMPS)
        if row["branch"].startswith("pulsing"):
            for _ in range(250):
                world.advance_to(world.t + 0.01)
                if world.load_amps > 0.0:
                    break
            assert ups.state == "mains, no battery"
            assert world.load_amps == pytest.approx(case.params["ups"]["pre_a"])
            assert world.volts_at("load") == pytest.approx(row["ups_v"], abs=agreed["volts"])
            continue
        assert world.volts_at("ups") == pytest.approx(row["ups_v"], abs=agreed["volts"])
        assert world.load_amps * world.volts_at("load") == pytest.approx(row["load_w"], rel=2e-4, abs=3e-5)


@pytest.mark.parametrize("name", ["holdup-100W", "holdup-250W", "holdup-weak-150W"])
def test_hold_up_on_a_pack(name: str) -> None:
    """In the file nothing is drawn during the transfer, here what the UPS draws while off: 0.1 mC."""
    case = ref.load_case(name)
    agreed, found, params = case.agreement, case.results, case.params
    params.setdefault("bms", None)
    if params["bms"] is None:
        del params["bms"]
    else:
        params["bms"]["uv_release_v"] = math.inf
    weak = "weak" in name
    pack = ref.world_of(case).pack
    ups = Ups(spec_of(params["ups"]), mains_on=not weak, ac_load_w=params["p_ac_w"])
    if weak:  # the file begins with the inverter on
        ups.state = "battery"
    world = World(pack=pack, ups=ups, leads=Leads(r_pack=params["r_lead"]))
    events = [v for k, v in case.events.items() if k.endswith("_s")]
    for row in case.rows:
        if ups.mains_on and row["t_s"] >= case.events.get("ac_off_s", math.inf):
            world.advance_to(case.events["ac_off_s"])
            ups.mains_on = False
            world.changed()
        ref.advance(world, row["t_s"], outer_s=10.0)
        if any(abs(row["t_s"] - t) < NEAR_EVENT_S for t in events):
            continue
        assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        assert world.volts_at("ups") == pytest.approx(row["load_v"], abs=agreed["volts"])
        assert world.pack_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]), abs=IDLE_AMPS)
        assert world.charge_ah == pytest.approx(row["charge_ah"], rel=ref.share(agreed["charge"]), abs=1e-6)
        if "energy_wh" in row:
            assert world.energy_wh == pytest.approx(row["energy_wh"], rel=ref.share(agreed["energy"]), abs=1e-5)
        else:
            volts = world.pack.cell_volts(world.pack_amps)
            assert min(volts) == pytest.approx(row["cell_min_v"], abs=agreed["volts"])
    world.advance_to(world.t + 1.0)
    ends_s = case.events["bms_opens_s" if weak else "cutoff_s"]
    reason = "input under-voltage" if weak else "cut-off"
    assert happened(world, f"ups: off, {reason}") == pytest.approx(ends_s, abs=case.due(ends_s))
    assert (ups.state, ups.off_reason, ups.ac_out) == ("latched off", reason, False)
    assert world.charge_ah == pytest.approx(found["charge_ah"], rel=ref.share(agreed["charge"]))
    if weak:
        opened_s = happened(world, "bms: cell under-voltage, discharge path opened")
        assert opened_s == pytest.approx(ends_s, abs=case.due(ends_s))
        return
    warned_s = case.events["warning_s"]
    assert happened(world, "ups: warning on") == pytest.approx(warned_s, abs=case.due(warned_s))
    assert world.totals.ups_j / 3600.0 == pytest.approx(found["energy_ups_wh"], rel=ref.share(agreed["energy"]))
    assert world.pack.z[0] == pytest.approx(found["end_soc"], abs=1e-5)
