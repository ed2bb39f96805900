"""The BMS: each rule's delay and release, the two switches and their diodes, sleep and waking."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sims.bms import BmsSpec
from sims.load import LoadPort
from sims.supply import SupplyPort
from sims.world import World

Make = Callable[..., World]
Switch = Callable[..., None]

QUIET = BmsSpec(
    cell_high_volts=math.inf, cell_low_volts=math.inf, sleep_delay_s=math.inf, amps_slow=math.inf, amps_fast=math.inf,
    amps_short=math.inf, charge_amps=math.inf, charge_cold_c=math.inf, charge_hot_c=math.inf, discharge_hot_c=math.inf,
)  # fmt: skip


def _told(world: World, words: str) -> list[float]:
    return [e.t_s for e in world.events if words in e.what]


def _big_load() -> LoadPort:
    return LoadPort(r_min=0.005, hot_c=math.inf, amps_max=1000.0)


@pytest.mark.parametrize(
    ("what", "amps", "delay_s"),
    [
        ("bms: discharge over-current, discharge path opened", 25.0, 8.0),
        ("bms: high discharge over-current, discharge path opened", 60.0, 0.05),
        ("bms: short circuit, discharge path opened", 180.0, 0.0003),
    ],
)
def test_over_currents_open_after_their_delay(
    eight: Make, sink: Switch, what: str, amps: float, delay_s: float
) -> None:  # fmt: skip
    world = eight(lower_z_by=0.2, load=_big_load())
    world.advance_to(5.0)
    sink(world, amps_set=amps)
    world.advance_to(5.0 + 0.999 * delay_s)
    assert world.pack_amps > 0.9 * amps
    world.advance_to(5.0 + 1.001 * delay_s)
    assert _told(world, what) == [pytest.approx(5.0 + delay_s, abs=1e-6)]
    assert world.load_amps == pytest.approx(0.0, abs=1e-4)
    assert world.volts_at("pack") < 0.5


def test_a_pulse_shorter_than_the_delay_passes_and_the_timer_starts_anew(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.2, load=_big_load())
    for k in range(5):
        sink(world, amps_set=25.0)
        world.advance_to(10.0 * k + 7.5)
        sink(world)
        world.advance_to(10.0 * (k + 1))
    assert world.events == []


def test_slow_over_current_closes_again_after_its_time_and_opens_again(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.2, load=_big_load())
    sink(world, amps_set=25.0)
    world.advance_to(60.0)
    assert _told(world, "over-current, discharge path opened") == [pytest.approx(8.0), pytest.approx(46.0)]
    assert _told(world, "over-current, released") == [pytest.approx(38.0)]


@pytest.mark.parametrize("amps", [60.0, 180.0])
def test_fast_over_currents_close_when_the_load_is_removed(eight: Make, sink: Switch, amps: float) -> None:
    world = eight(lower_z_by=0.2, load=_big_load())
    sink(world, amps_set=amps)
    world.advance_to(100.0)
    assert not world.pack.closed
    sink(world)
    assert world.pack.closed
    assert _told(world, "released") == [100.0]
    assert world.volts_at("pack") > 25.0


def test_under_voltage_opens_and_a_charger_closes_it(eight: Make, source: Switch, sink: Switch) -> None:
    world = eight(lower_z_by=0.9)
    sink(world, amps_set=5.0)
    while world.pack.closed and world.t < 3600.0:
        world.advance_to(world.t + 1.0)
    assert _told(world, "cell under-voltage, discharge path opened")
    assert world.load_amps == pytest.approx(0.0, abs=1e-4)
    sink(world)
    source(world, volts=28.8, amps=2.0)
    assert _told(world, "cell under-voltage, released") == [world.t]
    assert world.pack.closed
    assert world.pack_amps == pytest.approx(-2.0, abs=0.01)


def test_charging_through_the_discharge_switchs_diode(eight: Make, source: Switch) -> None:
    """Discharge switch off, no release by a charger: the terminals read the cells plus a diode."""
    world = eight(lower_z_by=0.2, ambient_c=65.0)
    world.advance_to(3.0)
    assert world.pack.bms is not None
    assert world.pack.bms.tripped == ("too hot to charge", "too hot")
    world.pack.bms._tripped_s[[r.what for r in world.pack.bms.rules].index("too hot to charge")] = math.inf
    source(world, volts=29.0, amps=1.0)
    assert world.pack_amps == pytest.approx(-1.0, abs=3e-4), "the rest goes through the terminals' own resistor"
    inside = math.fsum(world.pack.cell_volts(-1.0)) + 1.0 * world.pack.r_bms
    assert world.volts_at("pack") == pytest.approx(inside + 0.7, abs=1e-5)


def test_discharging_through_the_charge_switchs_diode_until_it_is_bridged(eight: Make, sink: Switch) -> None:
    """Too cold to charge: a small discharge goes through the diode, a larger one turns the switch on."""
    world = eight(lower_z_by=0.2, ambient_c=-5.0)
    world.advance_to(3.0)
    assert world.pack.bms is not None
    assert world.pack.bms.tripped == ("too cold to charge",)
    for amps, diode in ((0.15, 0.7), (0.5, 0.0), (0.15, 0.0), (0.05, 0.7)):
        sink(world, amps_set=amps)
        inside = math.fsum(world.pack.cell_volts(world.pack_amps)) - world.pack_amps * world.pack.r_bms
        assert world.volts_at("pack") == pytest.approx(inside - diode, abs=1e-5)


def test_too_cold_to_charge_blocks_the_charger_and_is_released_warm(eight: Make, source: Switch) -> None:
    world = eight(lower_z_by=0.3, ambient_c=-3.0)
    source(world, volts=28.8, amps=5.0)
    world.advance_to(1.999)
    assert world.pack_amps == pytest.approx(-5.0)
    world.advance_to(2.001)
    assert world.pack_amps == pytest.approx(0.0, abs=1e-6)
    assert world.volts_at("pack") == pytest.approx(28.8, abs=1e-3), "the charger sees its own open voltage"
    world.ambient_c = 30.0
    world.advance_to(1500.0)
    (released_s,) = _told(world, "too cold to charge, released")
    assert 500.0 < released_s < 1500.0
    assert world.pack_amps == pytest.approx(-5.0, abs=0.01)


def test_over_voltage_opens_the_charge_path_and_a_discharge_closes_it(
    eight: Make, source: Switch, sink: Switch
) -> None:
    world = eight()
    source(world, volts=30.0, amps=8.0)
    while world.pack.closed and world.t < 600.0:
        world.advance_to(world.t + 1.0)
    (opened_s,) = _told(world, "cell over-voltage, charge path opened")
    high = max(world.pack.cell_volts(-8.0))
    assert 3.65 < high < 3.75, f"one second after crossing 3.65 V, at {opened_s} s"
    assert world.pack_amps == pytest.approx(0.0, abs=1e-6)
    assert world.volts_at("supply") == pytest.approx(30.0, abs=1e-3)
    source(world)
    sink(world, amps_set=5.0)
    assert _told(world, "cell over-voltage, released") == [world.t]
    assert world.pack_amps == pytest.approx(5.0, abs=0.01)


def test_charge_over_current_opens_after_five_seconds_and_comes_back_after_thirty(
    eight: Make, source: Switch
) -> None:  # fmt: skip
    world = eight(lower_z_by=0.5, supply=SupplyPort(amps_max=30.0))
    source(world, volts=29.0, amps=14.0)
    world.advance_to(37.0)
    assert _told(world, "charge over-current, charge path opened") == [pytest.approx(5.0, abs=1e-6)]
    assert _told(world, "charge over-current, released") == [pytest.approx(35.0, abs=1e-6)]


def test_a_pack_left_empty_falls_asleep_and_only_a_charger_wakes_it(eight: Make, source: Switch, sink: Switch) -> None:
    spec = BmsSpec(sleep_delay_s=20.0)
    world = eight(bms=spec, lower_z_by=0.93)
    sink(world, amps_set=5.0)
    while not _told(world, "cell under-voltage") and world.t < 3600.0:
        world.advance_to(world.t + 1.0)
    # The load stays on, and the cells are drawn down by their own leak until they stay below the level.
    world.pack.cells.z = [0.002] * 8
    world.pack.cells.v1 = [0.0] * 8
    world.pack.cells.v2 = [0.0] * 8
    world.changed()
    empty_s = world.t
    world.advance_to(empty_s + 40.0)
    assert _told(world, "asleep, both paths opened") == [pytest.approx(empty_s + 20.0, abs=0.01)]
    assert world.pack.bms is not None
    assert world.pack.bms.asleep
    sink(world)
    world.advance_to(empty_s + 100.0)
    assert world.volts_at("pack") < 0.3
    source(world, volts=28.8, amps=2.0)
    woken_s = world.t + 0.1
    world.advance_to(world.t + 0.5)
    assert _told(world, "woken by a voltage at the terminals") == [pytest.approx(woken_s, abs=1e-6)]
    assert world.pack_amps == pytest.approx(-2.0, abs=0.01)


def test_an_asleep_pack_shows_a_few_tenths_of_a_volt(eight: Make) -> None:
    world = eight(pack={"asleep": True}, supply=SupplyPort(r_bleed=math.inf))
    assert world.volts_at("pack") == pytest.approx(world.pack.emf * 1.2e5 / (1e7 + 1.2e5), rel=1e-6)
    assert 0.2 < world.volts_at("pack") < 0.4
    world.advance_to(3600.0)
    assert world.events == []
    assert world.charge_ah == pytest.approx(3600.0 * world.pack.emf / 1.012e7 / 3600.0, rel=1e-3)


def test_a_reversed_pack_shows_negative_volts_and_counts_amps_its_own_way(
    eight: Make, source: Switch, sink: Switch
) -> None:
    right = eight(lower_z_by=0.3)
    world = eight(lower_z_by=0.3, pack={"reversed_": True})
    assert world.volts_at("pack") == pytest.approx(-right.volts_at("pack"), rel=1e-6)
    sink(world, amps_set=5.0)
    assert world.load_amps == 0.0, "a load without a way back does not conduct backwards"
    source(world, volts=5.0, amps=1.0)
    assert world.supply_amps == pytest.approx(1.0)
    assert world.pack_amps == pytest.approx(1.0, abs=1e-3), "the supply pushes against the pack and discharges it"
    before_ah = world.charge_ah
    world.advance_to(36.0)
    assert world.charge_ah - before_ah == pytest.approx(0.01, rel=1e-3)


def test_a_load_with_a_way_back_shorts_a_reversed_pack_until_the_bms_opens(eight: Make) -> None:
    world = eight(pack={"reversed_": True}, load=LoadPort(r_reverse=0.05))
    assert world.pack_amps > 200.0
    world.advance_to(0.01)
    assert _told(world, "short circuit, discharge path opened") == [pytest.approx(0.0003, abs=1e-6)]
    assert world.pack_amps < 1e-3


def test_rules_with_an_infinite_level_are_left_out() -> None:
    assert QUIET.rules() == ()
    assert len(BmsSpec().rules()) == 10
