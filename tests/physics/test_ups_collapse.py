"""Constant power on the node, and what happens when the bench gives less than the inverter asks.

Outside values computed independently (closed forms in the docstrings, checked there by quadrature and a solver).
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.ocv import Table
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import Ups, UpsSpec
from sims.ups_stepping import filtered_after
from sims.world import Leads, World


def plain_ups(**changes: Any) -> UpsSpec:
    """All of the AC power comes from the battery, nothing is lost; off it draws nothing; no holds worth speaking of."""
    plain: dict[str, Any] = {
        "rated_w": 1000.0, "idle_w": 0.0, "efficiency_share": (0.0, 1.0), "efficiency": (1.0, 1.0), "off_amps": 0.0,
        "start_v": 5.0, "cutoff_v": 3.0, "warns": False, "uvlo_v": 4.0,
    }  # fmt: skip
    return UpsSpec(**(plain | changes))


def running(world: World) -> World:
    """Start the UPS from its battery by its button."""
    ups = world.ups
    assert ups is not None
    ups.press()
    world.changed()
    return world


def battery(volts: float, ohms: float) -> Pack:
    """Volts behind ohms, and nothing else."""
    cell = CellSpec(
        ocv=Table((0.0, 1.0), (volts, volts)), capacity_ah=1000.0, r0=ohms, r1=0.0, r2=0.0, hyst_volts=0.0,
        heat_j_per_k=math.inf,
    )  # fmt: skip
    return Pack(cell=cell, cells=(CellStart(z0=1.0),), r_bms=0.0)


def bench(
    *, volts: float, limit: float, watts: float, pack: Pack | None = None, r_supply: float = 0.0, **spec: Any
) -> World:  # fmt: skip
    """A supply, perhaps a battery, and a UPS that is off."""
    supply = SupplyPort(
        volts_set=volts, amps_set=limit, output_on=True, r_source=0.0, i_bleed=0.0, r_bleed=math.inf
    )  # fmt: skip
    return World(
        pack=pack, supply=supply, ups=Ups(plain_ups(**spec), ac_load_w=watts), leads=Leads(r_supply, 0.0, 0.0)
    )  # fmt: skip


def told(world: World) -> list[str]:
    return [e.what for e in world.events]


def test_supply_and_battery_share_the_inverters_power() -> None:
    """13 V behind 0.05 ohm and 12.6 V behind 0.08 ohm feed 120 W: G V^2 - J V + P = 0, the larger root."""
    world = running(bench(volts=13.0, limit=100.0, watts=120.0, pack=battery(12.6, 0.08), r_supply=0.05))
    assert world.volts_at("ups") == pytest.approx(12.5519927707, abs=1e-9)
    assert world.supply_amps == pytest.approx(8.9601445857, abs=1e-8)
    assert world.pack_amps == pytest.approx(0.6000903660, abs=1e-8)
    assert world.ups_amps == pytest.approx(9.5602349517, abs=1e-8)


def test_supply_at_its_limit_shares_with_the_battery() -> None:
    """As above with the supply at 3 A."""
    world = running(bench(volts=13.0, limit=3.0, watts=120.0, pack=battery(12.6, 0.08), r_supply=0.05))
    assert world.supply is not None
    assert world.supply.mode == "cc"
    assert world.volts_at("ups") == pytest.approx(12.0428462543, abs=1e-9)
    assert world.pack_amps == pytest.approx(6.9644218207, abs=1e-8)
    assert world.volts_at("supply") == pytest.approx(12.1928462543, abs=1e-9)


def test_the_input_capacitor_feeds_the_inverter_until_it_stops() -> None:
    """C dV/dt = I - P/V from V0 to V1 takes (C/I) ((P/I) ln((P - I V1)/(P - I V0)) - (V0 - V1)): 100 W, 5 A, 2.2 mF,
    11 to 4 V: 1.983204 ms. Meanwhile the output is alive and the supply is at its limit."""
    world = running(bench(volts=11.0, limit=5.0, watts=100.0, c_in_f=2.2e-3))
    assert world.ups is not None
    assert world.supply is not None
    seen_v = []
    for k in range(1, 10):
        world.advance_to(k * 2e-4)
        assert (world.supply.mode, world.ups.state, world.ups.ac_out) == ("cc", "battery", True)
        assert world.supply_amps == pytest.approx(5.0, rel=1e-6)
        seen_v.append(world.volts_at("ups"))
    assert seen_v == sorted(seen_v, reverse=True)
    assert 11.0 > seen_v[0] > seen_v[-1] > 4.0
    world.advance_to(1.0)
    assert world.ups.state == "latched off"
    assert world.ups.off_reason == "input under-voltage"
    stopped_s = next(e.t_s for e in world.events if e.what == "ups: off, input under-voltage")
    assert stopped_s == pytest.approx(1.983204e-3, abs=5e-9)
    assert world.volts_at("ups") == pytest.approx(11.0)
    assert "ups: off, cut-off" not in told(world)


def test_half_way_down_the_volts_are_where_the_formula_says() -> None:
    """From 11 V to 7.5 V by the same formula; the reading there is that of a stair, 0.15 V off at most."""
    world = running(bench(volts=11.0, limit=5.0, watts=100.0, c_in_f=2.2e-3))
    seconds = 2.2e-3 / 5.0 * (20.0 * math.log((100.0 - 5.0 * 7.5) / (100.0 - 5.0 * 11.0)) - 3.5)
    world.advance_to(seconds)
    assert world.volts_at("ups") == pytest.approx(7.5, abs=0.16)


def test_without_a_capacitor_the_collapse_is_at_once() -> None:
    world = running(bench(volts=11.0, limit=5.0, watts=100.0))
    assert world.ups is not None
    assert (world.t, world.ups.state, world.ups.off_reason) == (0.0, "latched off", "input under-voltage")


def test_a_limit_raised_in_time_ends_the_collapse() -> None:
    world = running(bench(volts=11.0, limit=5.0, watts=100.0, c_in_f=2.2e-3))
    assert world.supply is not None
    assert world.ups is not None
    world.advance_to(1e-3)
    world.supply.amps_set = 30.0
    world.changed()
    world.advance_to(1.0)
    assert world.ups.state == "battery"
    assert world.volts_at("ups") == pytest.approx(11.0)


@pytest.mark.parametrize("limit", [10.0, 30.0])
def test_just_enough_does_not_collapse(limit: float) -> None:
    """100 W at 11 V are 9.09 A."""
    world = running(bench(volts=11.0, limit=limit, watts=100.0, c_in_f=2.2e-3))
    world.advance_to(5.0)
    assert world.ups is not None
    assert world.ups.state == "battery"
    assert world.ups_amps == pytest.approx(100.0 / 11.0)


def test_hooking_up_charges_the_capacitor_through_the_leads() -> None:
    """5 mF behind 0.05 ohm: the charge is C V however the stairs are laid, the peak is most of V / R."""
    world = World(
        pack=battery(26.0, 0.03), ups=Ups(plain_ups(c_in_f=5e-3, off_amps=0.05)), leads=Leads(0.0, 0.0, 0.02)
    )  # fmt: skip
    world.hook_up("pack")
    world.advance_to(1.0)
    assert world.volts_at("ups") == pytest.approx(26.0 - 0.05 / 5e-3, rel=0.02)
    world.advance_to(10.0)
    assert world.volts_at("ups") < 0.2
    before_c = world.totals.pack_c
    world.hook_up("both")
    assert world.pack_amps > 0.9 * 26.0 / 0.05
    world.advance_to(11.0)
    assert world.totals.pack_c - before_c - 0.05 * 1.0 == pytest.approx(5e-3 * 26.0, rel=0.02)
    assert world.pack_amps == pytest.approx(0.05)


@pytest.mark.parametrize("load_watts", [50.0, 150.0])
def test_two_constant_powers_on_one_node(load_watts: float) -> None:
    """A load at constant power behind its own leads beside the inverter: the larger root of the sum, by halving."""
    world = bench(volts=26.0, limit=100.0, watts=200.0, r_supply=0.1)
    world.load = LoadPort(function="cp", watts_set=load_watts, input_on=True)
    world = World(pack=None, supply=world.supply, load=world.load, ups=world.ups, leads=Leads(0.1, 0.05, 0.0))
    running(world)

    def left_over(volts: float) -> float:
        at_load = 0.5 * (volts + math.sqrt(volts * volts - 4.0 * 0.05 * load_watts))
        return (26.0 - volts) / 0.1 - 200.0 / volts - load_watts / at_load

    low, high = 20.0, 26.0
    while high - low > 1e-12:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left_over(middle) > 0.0 else (low, middle)
    assert world.volts_at("ups") == pytest.approx(low, abs=1e-9)
    assert world.supply_amps - world.load_amps - world.ups_amps == pytest.approx(0.0, abs=1e-9)


def test_two_constant_powers_that_ask_too_much_have_no_working_point() -> None:
    """26 V behind 0.5 ohm give 338 W at most: 200 W and 200 W stop the UPS; 150 W and 100 W do not."""
    for ups_watts, load_watts, state in ((200.0, 200.0, "latched off"), (150.0, 100.0, "battery")):
        ups, load = Ups(plain_ups(uvlo_v=8.0), ac_load_w=ups_watts), LoadPort(function="cp", watts_set=load_watts)
        supply = SupplyPort(volts_set=26.0, amps_set=100.0, output_on=True, r_source=0.0, i_bleed=0.0)
        world = World(pack=None, supply=supply, load=load, ups=ups, leads=Leads(0.5, 0.01, 0.0))
        load.input_on = True
        running(world)
        assert ups.state == state


def test_the_supplys_and_the_inputs_capacitors_together_come_to_rest() -> None:
    """Output off under a running UPS, on again, off again: neither holds the other up for good."""
    supply = SupplyPort(volts_set=26.0, amps_set=10.0, output_on=True, c_out=2e-3, r_bleed=5000.0)
    ups = Ups(plain_ups(c_in_f=2.2e-3, uvlo_v=18.0, start_v=20.0, off_amps=0.012), ac_load_w=100.0)
    world = World(pack=None, supply=supply, ups=ups, leads=Leads(0.02, 0.0, 0.0))
    world.advance_to(1.0)
    running(world).advance_to(2.0)
    for on, state, volts in ((False, "latched off", 0.0), (True, "latched off", 26.0), (False, "latched off", 0.0)):
        supply.output_on = on
        world.changed()
        world.advance_to(world.t + 60.0)
        assert ups.state == state
        assert world.volts_at("ups") == pytest.approx(volts, abs=0.05)


@pytest.mark.parametrize("h_s", [1e-6, 1e-4, 0.03, 0.1, 1.0, 20.0])
@pytest.mark.parametrize("volts", [(26.0, 26.0, 26.0), (26.0, 25.0, 24.0), (26.0, 25.9, 25.0), (20.0, 27.0, 21.0)])
def test_the_filter_under_a_parabola(h_s: float, volts: tuple[float, float, float]) -> None:
    """Against Runge-Kutta of the filter's own equation in 4000 steps, 0.1 s, from 27 V."""
    start, middle, end = volts
    bend = 2.0 * (start - 2.0 * middle + end)

    def rate(share: float, filtered: float) -> float:
        return (start + (end - start - bend) * share + bend * share * share - filtered) / 0.1

    filtered, step = 27.0, 1.0 / 4000
    for k in range(4000):
        a = rate(k * step, filtered)
        b = rate((k + 0.5) * step, filtered + 0.5 * h_s * step * a)
        c = rate((k + 0.5) * step, filtered + 0.5 * h_s * step * b)
        d = rate((k + 1) * step, filtered + h_s * step * c)
        filtered += h_s * step * (a + 2.0 * (b + c) + d) / 6.0
    assert filtered_after(27.0, volts, h_s=h_s, tau_s=0.1) == pytest.approx(filtered, abs=1e-8)
