"""Supply and load by themselves: trips, ramps, stops, limits, output capacitor."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sims.bms import BmsSpec
from sims.load import LoadPort
from sims.ocv import Table
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]
Switch = Callable[..., None]


def _told(world: World, words: str) -> list[float]:
    return [e.t_s for e in world.events if words in e.what]


# -- supply ----------------------------------------------------------------------------------------------------------


def test_over_volts_trip_is_latched_and_needs_clearing(eight: Make, source: Switch) -> None:
    world = eight(lower_z_by=0.05)
    supply = world.supply
    assert supply is not None
    supply.over_volts, supply.over_volts_delay_s = 28.5, 0.002
    source(world, volts=29.0, amps=4.0)
    while supply.output_on and world.t < 3600.0:
        world.advance_to(world.t + 1.0)
    (at_s,) = _told(world, "supply: over-volts above 28.5 V, output off")
    assert supply.over_volts_tripped
    assert supply.mode == "off"
    before = eight(lower_z_by=0.05)
    source(before, volts=29.0, amps=4.0)
    before.advance_to(at_s - 0.002)
    assert before.volts_at("supply") == pytest.approx(28.5, abs=1e-6)
    supply.output_on = True
    world.changed()
    assert not supply.output_on
    supply.clear_trips()
    supply.output_on, supply.over_volts = True, math.inf
    world.changed()
    assert supply.mode == "cc"


def test_a_source_outside_trips_the_over_volts_of_an_output_that_is_on(eight: Make, source: Switch) -> None:
    world = eight()
    assert world.supply is not None
    world.supply.over_volts = 25.0
    source(world, volts=24.0, amps=1.0)
    assert world.supply.mode == "driven"
    world.advance_to(0.01)
    assert world.supply.over_volts_tripped
    world = eight()
    assert world.supply is not None
    world.supply.over_volts = 25.0
    world.advance_to(1.0)
    assert not world.supply.over_volts_tripped, "an output that is off does not trip"


@pytest.mark.parametrize("enabled", [True, False])
def test_over_amps_trip_after_its_delay_in_constant_current(eight: Make, source: Switch, enabled: bool) -> None:
    world = eight(lower_z_by=0.3)
    assert world.supply is not None
    world.supply.over_amps_enabled, world.supply.over_amps_delay_s = enabled, 0.3
    world.advance_to(2.0)
    source(world, volts=28.0, amps=3.0)
    world.advance_to(10.0)
    assert world.supply.over_amps_tripped is enabled
    assert _told(world, "supply: over-amps at 3 A, output off") == ([pytest.approx(2.3)] if enabled else [])


def test_the_output_ramps_at_its_slew_rate(eight: Make, source: Switch) -> None:
    """100 V/s: 26 V of the pack are reached after about 0.26 s; until then the pack drives the supply."""
    world = eight(lower_z_by=0.4, supply=SupplyPort(slew=100.0))
    assert world.supply is not None
    pack_volts = world.volts_at("pack")
    source(world, volts=28.0, amps=5.0)
    world.advance_to(0.01 * pack_volts - 0.006)
    assert world.supply.mode == "driven"
    world.advance_to(0.01 * pack_volts + 0.02)
    assert world.supply.mode == "cc"
    world.advance_to(1.0)
    assert world.supply.volts_now == 28.0


def test_an_open_output_runs_down_through_its_bleed_resistor(eight: Make, source: Switch) -> None:
    """2 mF and 5 kohm: V = V0 exp(-t / 10 s), the pack being asleep."""
    port = SupplyPort(c_out=2e-3, r_bleed=5000.0)
    never_woken = BmsSpec(wake_volts=100.0)
    world = eight(supply=port, bms=never_woken, pack={"asleep": True, "r_leak": math.inf, "r_terminals": math.inf})
    source(world, volts=20.0, amps=1.0)
    assert world.volts_at("supply") == pytest.approx(20.0, abs=1e-6)
    source(world)
    for t_s in (0.5, 10.0, 20.0):
        world.advance_to(t_s)
        assert world.volts_at("supply") == pytest.approx(20.0 * math.exp(-t_s / 10.0), rel=0.02)
        assert port.mode == "off"
    world.advance_to(200.0)
    assert world.volts_at("supply") == pytest.approx(0.0, abs=2e-3)


def test_a_pack_on_the_node_takes_the_output_capacitor_over_at_once(eight: Make, source: Switch) -> None:
    world = eight(lower_z_by=0.3, supply=SupplyPort(c_out=2e-3))
    source(world, volts=28.0, amps=5.0)
    world.advance_to(10.0)
    source(world)
    assert world.volts_at("supply") == pytest.approx(world.volts_at("pack"), abs=1e-3)


def test_supply_readings_at_the_ends_of_its_leads(eight: Make, source: Switch) -> None:
    world = eight(lower_z_by=0.5, leads=Leads(0.04, 0.02, 0.0))
    source(world, volts=28.0, amps=5.0)
    assert world.volts_at("supply") - world.volts_at("pack") == pytest.approx(0.2, abs=1e-6)
    assert world.volts_at("supply_sense") == world.volts_at("supply")
    assert world.volts_at("node") == world.volts_at("pack")
    with pytest.raises(ValueError, match="no volts at 'ups'"):
        world.volts_at("ups")
    with pytest.raises(ValueError, match="no temperature of 'sun'"):
        world.temp_c("sun")


# -- load ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("figures", "volts", "amps"),
    [
        ({"amps_set": 5.0}, None, 5.0),
        ({"ohms_set": 5.0}, None, None),
        ({"watts_set": 100.0}, None, None),
        ({"volts_set": 25.9}, 25.9, None),
    ],
)
def test_load_functions_hold_what_they_say(
    eight: Make, sink: Switch, figures: dict[str, float], volts: float | None, amps: float | None
) -> None:
    world = eight(lower_z_by=0.4)
    sink(world, **figures)
    for t_s in (0.0, 100.0):
        world.advance_to(t_s)
        at, flows = world.volts_at("load"), world.load_amps
        assert flows > 1.0
        if volts is not None:
            assert at == pytest.approx(volts, abs=5e-5)
        if amps is not None:
            assert flows == pytest.approx(amps, abs=1e-12)
        if "ohms_set" in figures:
            assert at / flows == pytest.approx(5.0, rel=1e-12)
        if "watts_set" in figures:
            assert at * flows == pytest.approx(100.0, rel=1e-12)


@pytest.mark.parametrize("figures", [{"volts_set": 25.9}, {"ohms_set": 5.0}, {"watts_set": 100.0}])
def test_remote_sense_of_the_load_counts_at_the_packs_terminals(
    eight: Make, sink: Switch, figures: dict[str, float]
) -> None:
    world = eight(lower_z_by=0.4, leads=Leads(0.02, 0.05, 0.004))
    assert world.load is not None
    world.load.remote_sense = True
    sink(world, **figures)
    world.advance_to(10.0)
    at, amps = world.volts_at("load_sense"), world.load_amps
    assert at == world.volts_at("pack")
    held = {"volts_set": at, "ohms_set": at / amps, "watts_set": at * amps}
    ((key, value),) = figures.items()
    assert held[key] == pytest.approx(value, rel=2e-6)


def test_limits_of_amps_and_watts(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.3, load=LoadPort(amps_max=8.0, watts_max=150.0))
    for figures in ({"volts_set": 5.0}, {"watts_set": 500.0}, {"ohms_set": 1.0}, {"amps_set": 8.0}):
        sink(world, **figures)
        watts = world.volts_at("load") * world.load_amps
        assert world.load_amps <= 8.0 + 1e-9
        assert watts == pytest.approx(150.0, rel=1e-9)
    sink(world, amps_set=4.0)
    assert world.load_amps == pytest.approx(4.0)
    sink(world, volts_set=30.0)
    assert world.load_amps == 0.0, "nothing flows below the volts it holds"


def test_below_its_knee_the_load_is_a_resistor(single: Make, sink: Switch) -> None:
    load = LoadPort(r_min=0.2, hot_c=math.inf)
    world = single(ocv=Table((0.0, 1.0), (0.5, 1.5)), capacity_ah=1.0, r0=0.05, load=load)
    sink(world, amps_set=5.0)
    assert world.load_amps == pytest.approx(5.0)
    while world.load_amps > 4.999 and world.t < 3600.0:
        world.advance_to(world.t + 1.0)
    assert world.pack.emf == pytest.approx(1.25, abs=0.005), "5 A need 1.25 V behind 50 + 200 mohm"
    world.advance_to(world.t + 60.0)
    assert world.volts_at("load") / world.load_amps == pytest.approx(0.2, rel=1e-9)


def test_low_volts_stop_needs_its_delay_and_latches(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.85)
    load = world.load
    assert load is not None
    load.low_volts, load.low_volts_delay_s = 24.0, 2.0
    sink(world, amps_set=5.0)
    while load.input_on and world.t < 3600.0:
        world.advance_to(world.t + 1.0)
    (at_s,) = _told(world, "load: below 24 V, input off")
    assert load.low_volts_tripped
    again = eight(lower_z_by=0.85)
    sink(again, amps_set=5.0)
    again.advance_to(at_s - 2.0)
    assert again.volts_at("load") == pytest.approx(24.0, abs=1e-6)
    world.advance_to(world.t + 600.0)
    assert world.volts_at("load") > 24.0
    assert not load.input_on, "the rest does not switch it on again"
    load.clear_trips()
    load.input_on = True
    world.changed()
    assert world.load_amps > 4.0


def test_over_amps_stop(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.3)
    assert world.load is not None
    world.load.over_amps, world.load.over_amps_delay_s = 6.0, 0.2
    sink(world, amps_set=5.9)
    world.advance_to(1.0)
    assert world.events == []
    sink(world, ohms_set=3.0)
    world.advance_to(2.0)
    assert _told(world, "load: above 6 A, input off") == [pytest.approx(1.2)]
    assert world.load.over_amps_tripped


def test_a_slow_slew_is_a_staircase_of_milliseconds(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.3, load=LoadPort(slew=100.0))
    sink(world, amps_set=5.0)
    assert world.load_amps == 0.0
    seen = []
    for k in range(1, 71):
        world.advance_to(0.001 * k)
        seen.append(world.load_amps)
    assert seen[24] == pytest.approx(2.5, abs=0.11)
    assert seen == sorted(seen)
    assert seen[-1] == 5.0
    assert world.totals.load_c == pytest.approx(0.5 * 0.05 * 5.0 + 0.02 * 5.0, rel=1e-3)


def test_a_load_alone_and_a_supply_alone(eight: Make) -> None:
    """Either instrument may be missing."""
    world = eight()
    for supply, load in ((None, LoadPort(input_on=True, amps_set=2.0)), (SupplyPort(), None), (None, None)):
        bare = World(pack=world.pack, supply=supply, load=load)
        bare.advance_to(1.0)
        assert bare.load_amps == (2.0 if load else 0.0)
        assert bare.temp_c("load") >= 25.0
