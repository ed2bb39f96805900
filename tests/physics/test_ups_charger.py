"""The charger: its line and limit, ramp, stages, and how it sees a battery; against what each is set to."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import ChargerSpec, Ups, UpsSpec
from sims.world import Leads, World


def bench(
    *, mains_on: bool = True, ambient_c: float = 25.0, supply: SupplyPort | None = None, **charger: Any
) -> World:  # fmt: skip
    """A load in place of the battery of a UPS, without leads."""
    ups = Ups(UpsSpec(charger=ChargerSpec(**charger), selftest_after_s=math.inf), mains_on=mains_on)
    load = LoadPort(function="cv", volts_set=24.0, input_on=True, r_regulation=0.0)
    return World(
        pack=None, load=load, supply=supply, ups=ups, leads=Leads(0.0, 0.0, 0.0), ambient_c=ambient_c
    )  # fmt: skip


def held(world: World, volts: float) -> World:
    """The load at constant volts."""
    assert world.load is not None
    world.load.function, world.load.volts_set = "cv", volts
    world.changed()
    return world


def drawn(world: World, amps: float) -> World:
    """The load at a constant current."""
    assert world.load is not None
    world.load.function, world.load.amps_set = "cc", amps
    world.changed()
    return world


def ups_of(world: World) -> Ups:
    assert world.ups is not None
    return world.ups


def when(world: World, what: str) -> float:
    return next(e.t_s for e in world.events if e.what == what)


@pytest.mark.parametrize(("volts", "amps"), [(20.0, 1.2), (27.2, 1.2), (27.25, 1.0), (27.29, 0.2), (27.3, 0.0)])
@pytest.mark.parametrize("ambient_c", [10.0, 25.0, 40.0])
def test_line_and_limit(volts: float, amps: float, ambient_c: float) -> None:
    """min(1.2 A, (27.3 V - V) / 0.05 ohm), moved by -36 mV/K: by room temperature alone."""
    moved = -0.036 * (ambient_c - 25.0)
    world = held(bench(ambient_c=ambient_c, comp_v_per_k=-0.036), volts + moved)
    assert world.load_amps == pytest.approx(amps, abs=1e-4)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_the_line_is_seen_with_the_load_at_constant_current(share: float) -> None:
    world = bench()
    drawn(world, share * 1.2)
    assert world.volts_at("ups") == pytest.approx(27.3 - 0.05 * share * 1.2, abs=1e-9)


def test_more_than_its_limit_collapses_and_no_battery_is_seen() -> None:
    world = drawn(bench(), 1.25)
    assert world.volts_at("ups") < 1.0
    world.advance_to(2.0)
    assert ups_of(world).state == "mains, no battery"


def test_it_never_takes_current_in() -> None:
    supply = SupplyPort(volts_set=30.0, amps_set=5.0, output_on=True)
    world = bench(supply=supply)
    assert world.load is not None
    world.load.input_on = False
    world.changed()
    world.advance_to(10.0)
    assert world.volts_at("ups") > 29.9
    assert world.ups_amps == pytest.approx(1e-5 * 2.7, abs=1e-6)


def test_a_one_quadrant_supply_is_driven_by_it() -> None:
    """Node volts: 27.3 V less 0.05 ohm times the supply's 20 mA; the load is off."""
    supply = SupplyPort(volts_set=24.0, amps_set=5.0, output_on=True, i_bleed=0.02)
    world = bench(supply=supply)
    assert world.load is not None
    world.load.input_on = False
    world.changed()
    assert supply.mode == "driven"
    assert world.supply_amps == -0.02
    assert world.volts_at("ups") == pytest.approx(27.3 - 0.05 * 0.02)


def test_soft_start_waits_then_rises_along_a_straight_line() -> None:
    """Mains power good after 3 s, charger 2 s later, 1.2 A after 5 s more; its charge is half the ramp's."""
    supply = SupplyPort(volts_set=25.0, amps_set=5.0, output_on=True)
    world = held(bench(mains_on=False, supply=supply), 24.9)
    ups_of(world).mains_on = True
    world.changed()
    world.advance_to(4.999)
    assert world.ups_amps == pytest.approx(0.0, abs=1e-6)
    for after_s, amps in ((0.5, 0.12), (1.25, 0.3), (4.9, 1.176), (5.0, 1.2), (9.0, 1.2)):
        world.advance_to(5.0 + after_s)
        assert world.ups_amps == pytest.approx(-amps, abs=1e-7)
    assert world.totals.ups_c - 0.012 * 3.0 == pytest.approx(-(0.5 * 5.0 + 4.0) * 1.2, rel=1e-5)


def test_boost_goes_on_until_the_current_has_tapered_off() -> None:
    """Held on the boost line at 0.2 A, then 0.09 A for 60 s: float."""
    supply = SupplyPort(volts_set=24.0, amps_set=5.0, output_on=True, i_bleed=0.0)
    world = bench(mains_on=False, supply=supply, boost_v=28.8)
    ups_of(world).mains_on = True
    held(world, 28.79).advance_to(100.0)
    assert ups_of(world).charger.stage == "boost"
    assert world.load_amps == pytest.approx(0.2, abs=1e-4)
    held(world, 28.7955)
    world.advance_to(130.0)
    held(world, 28.79)  # back: the time begins anew
    world.advance_to(140.0)
    held(world, 28.7955)
    world.advance_to(199.9)
    assert ups_of(world).charger.stage == "boost"
    world.advance_to(200.1)
    assert ups_of(world).charger.stage == "float"
    assert when(world, "ups: charger on float") == pytest.approx(200.0, abs=1e-6)
    assert world.load_amps == 0.0


def test_boost_ends_by_time() -> None:
    world = bench(
        mains_on=False, supply=SupplyPort(volts_set=24.0, amps_set=5.0, output_on=True), boost_v=28.8,
        boost_most_s=600.0,
    )  # fmt: skip
    ups_of(world).mains_on = True
    held(world, 26.0).advance_to(1000.0)
    assert when(world, "ups: charger on float") - when(world, "ups: charger on boost") == pytest.approx(600.0)


def test_boost_comes_again_after_an_outage_and_not_after_a_self_test() -> None:
    supply = SupplyPort(volts_set=26.0, amps_set=20.0, output_on=True)
    world = bench(supply=supply, boost_v=28.8)
    ups = ups_of(world)
    assert ups.charger.stage == "float"
    ups.press()
    world.changed()
    world.advance_to(20.0)
    assert ups.charger.stage == "float"
    ups.mains_on = False
    world.changed()
    world.advance_to(30.0)
    ups.mains_on = True
    world.changed()
    world.advance_to(40.0)
    assert ups.charger.stage == "boost"


def test_pre_charge_below_its_volts_and_again_half_a_volt_lower() -> None:
    world = held(bench(pre_v=20.0, pre_amps=0.2), 24.0)
    world.advance_to(5.0)
    stages = []
    for volts in (19.8, 19.4, 19.8, 20.2):
        held(world, volts).advance_to(world.t + 5.0)
        stages.append((ups_of(world).charger.stage, round(world.load_amps, 6)))
    assert stages == [("float", 1.2), ("pre", 0.2), ("pre", 0.2), ("float", 1.2)]


def test_open_terminals_show_pulses() -> None:
    """50 ms every 2 s, up to its own volts; a volt meter that averages sees next to nothing."""
    world = bench(mains_on=False)
    assert world.load is not None
    world.load.input_on, ups_of(world).mains_on = False, True
    world.changed()
    world.advance_to(20.0)
    assert ups_of(world).state == "mains, no battery"
    high = [k for k in range(4000) if _volts_after(world, 20.0 + 0.001 * k) > 27.0]
    assert len(high) == pytest.approx(100, abs=4)
    assert high[-1] - high[0] == pytest.approx(2050, abs=4)
    assert not [e for e in world.events if e.what == "ups: battery seen"]


def _volts_after(world: World, t_s: float) -> float:
    world.advance_to(max(t_s, world.t))
    return world.volts_at("ups")


def test_a_charger_that_must_first_see_a_battery_is_helped_by_a_supply() -> None:
    """A load alone shows no volts of its own between the pulses; once seen, the load alone is enough."""
    supply = SupplyPort(volts_set=25.0, amps_set=5.0)
    world = held(bench(supply=supply, pulses_tell=False, mains_on=False), 24.0)
    ups_of(world).mains_on = True
    world.changed()
    world.advance_to(30.0)
    assert ups_of(world).state == "mains, no battery"
    supply.output_on = True
    world.changed()
    world.advance_to(40.0)
    assert ups_of(world).state == "mains"
    supply.output_on = False
    world.changed()
    world.advance_to(60.0)
    assert ups_of(world).state == "mains"
    assert world.load_amps == pytest.approx(1.2 - 24.0 / supply.r_bleed)


def test_a_look_tells_that_the_battery_is_gone() -> None:
    world = held(bench(look_every_s=60.0), 26.0)
    assert world.load is not None
    world.advance_to(59.0)
    world.load.input_on = False
    world.changed()
    world.advance_to(60.9)
    assert ups_of(world).state == "mains"
    world.advance_to(61.1)
    assert ups_of(world).state == "mains, no battery"


def pack(z0: float) -> Pack:
    return Pack(cell=CellSpec(), cells=(CellStart(z0=z0),) * 8)


def test_a_pack_is_charged_to_the_floats_volts() -> None:
    """1.2 A, then the line: at the end the cells rest at float volts less next to nothing; energy and charge add up."""
    world = World(pack=pack(0.93), ups=Ups(UpsSpec(), mains_on=True), leads=Leads(0.0, 0.0, 0.015))
    world.advance_to(600.0)
    assert world.ups_amps == pytest.approx(-1.2)
    world.advance_to(3600.0 * 2)
    assert world.volts_at("ups") == pytest.approx(27.3, abs=0.002)
    assert -0.04 < world.ups_amps < 0.0
    t = world.totals
    assert t.pack_c == pytest.approx(t.ups_c, rel=1e-9)
    assert t.pack_j == pytest.approx(t.ups_j + t.leads_j, rel=1e-7)


@pytest.mark.parametrize("outer_s", [0.1, 1.0, 10.0])
def test_soft_start_into_a_pack_does_not_depend_on_the_outer_step(outer_s: float) -> None:
    world = World(pack=pack(0.6), ups=Ups(UpsSpec(), mains_on=False), leads=Leads(0.0, 0.0, 0.015))
    ups_of(world).mains_on = True
    world.changed()
    for k in range(round(10.0 / outer_s)):
        world.advance_to((k + 1) * outer_s)
    # Off for 3 s at 12 mA, half of 5 s of 1.2 A in the ramp.
    assert world.totals.pack_c == pytest.approx(0.012 * 3.0 - 0.5 * 5.0 * 1.2, rel=1e-6)


def test_the_ramp_of_a_pre_charge_ends_at_its_own_limit() -> None:
    """1.2 A in 12 s is 0.1 A/s: 0.2 A after 2 s, and no more until the volts have risen."""
    supply = SupplyPort(volts_set=19.5, amps_set=5.0, output_on=True)
    world = held(bench(mains_on=False, supply=supply, pre_v=20.0, pre_amps=0.2, ramp_s=12.0), 19.4)
    ups_of(world).mains_on = True
    world.changed()
    seen = []
    for after_s in (1.0, 2.0, 6.0):
        world.advance_to(5.0 + after_s)
        seen.append(-world.ups_amps)
    assert seen == pytest.approx([0.1, 0.2, 0.2], abs=1e-7)
    supply.volts_set = 21.0
    held(world, 20.9).advance_to(5.0 + 9.0)
    assert -world.ups_amps == pytest.approx(0.9, abs=1e-7)


def test_the_small_current_of_the_ramp_does_not_end_the_boost() -> None:
    """Below 0.3 A for 5 s of its ramp, with 2 s asked for; then at 1.2 A."""
    supply = SupplyPort(volts_set=24.0, amps_set=5.0, output_on=True)
    world = bench(mains_on=False, supply=supply, boost_v=28.8, ramp_s=20.0, taper_amps=0.3, taper_s=2.0)
    ups_of(world).mains_on = True
    held(world, 26.0).advance_to(60.0)
    assert ups_of(world).charger.stage == "boost"
    assert world.load_amps == pytest.approx(1.2 - 0.02)


def test_a_self_test_missed_for_want_of_a_battery_is_put_off() -> None:
    """Due 30 s after mains power came back, the battery seen 60 s after: 30 s from then."""
    supply = SupplyPort(volts_set=25.0, amps_set=20.0)
    ups = Ups(UpsSpec(selftest_after_s=30.0), mains_on=False)
    world = World(pack=None, supply=supply, ups=ups, leads=Leads(0.0, 0.0, 0.0))
    ups.mains_on = True
    world.changed()
    world.advance_to(63.0)
    assert ups.state == "mains, no battery"
    supply.output_on = True
    world.changed()
    world.advance_to(120.0)
    seen_s, begun_s = when(world, "ups: battery seen"), when(world, "ups: self-test begins")
    assert begun_s - seen_s == pytest.approx(30.0)
