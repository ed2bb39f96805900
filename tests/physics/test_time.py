"""Moving through time: the outer step does not matter, books balance, events are found where they are."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable

import pytest

from sims import events
from sims.bms import BmsSpec
from sims.events import Limits, first_positive
from sims.ocv import Table
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]
Switch = Callable[..., None]

NIGHT = BmsSpec(cell_high_volts=3.63, cell_low_release_volts=2.55, sleep_delay_s=math.inf)


def _night(eight: Make, source: Switch, sink: Switch, outer_s: float) -> World:
    """Charge until the BMS opens on its highest cell, rest, discharge until it opens on its lowest, rest."""
    world = eight(bms=NIGHT, surface_tau_s=1800.0, bleed_volts=3.45, self_discharge_per_s=1.14e-8, ambient_c=18.0)
    plan: tuple[tuple[float, Callable[[], None]], ...] = (
        (0.0, lambda: source(world, volts=29.1, amps=5.0)),
        (3000.0, lambda: source(world)),
        (3600.0, lambda: sink(world, amps_set=8.0)),
        (8500.0, lambda: sink(world)),
        (9500.0, lambda: None),
    )
    for start_s, act in plan:
        while world.t + outer_s < start_s:
            world.advance_to(world.t + outer_s)
        world.advance_to(start_s)
        act()
    return world


def test_event_times_and_charge_do_not_depend_on_the_outer_step(eight: Make, source: Switch, sink: Switch) -> None:
    nights = [_night(eight, source, sink, outer_s) for outer_s in (0.5, 1.0, 10.0)]
    told = [[e.what for e in w.events] for w in nights]
    assert told[0] == told[1] == told[2]
    assert told[0][0] == "bms: cell over-voltage, charge path opened"
    assert "bms: cell under-voltage, discharge path opened" in told[0]
    assert "bms: cell under-voltage, released" in told[0]
    for same in zip(*(w.events for w in nights), strict=True):
        assert max(e.t_s for e in same) - min(e.t_s for e in same) < 0.010
    for a, b in itertools.pairwise(nights):
        assert a.charge_ah == pytest.approx(b.charge_ah, rel=1e-5)


@pytest.mark.parametrize("what", ["cc discharge", "cc charge", "cv", "cr", "cp", "rest"])
def test_ten_seconds_are_ten_times_one_second(eight: Make, source: Switch, sink: Switch, what: str) -> None:
    worlds = [eight(lower_z_by=0.4) for _ in range(2)]
    for world in worlds:
        if what == "cc charge":
            source(world, volts=29.0, amps=4.0)
        elif what == "cv":
            source(world, volts=26.6, amps=30.0)
        elif what != "rest":
            key, value = {"cc discharge": ("amps_set", 5.0), "cr": ("ohms_set", 5.0), "cp": ("watts_set", 120.0)}[what]
            sink(world, **{key: value})
    long, short = worlds
    for k in range(1, 31):
        long.advance_to(10.0 * k)
    for k in range(1, 301):
        short.advance_to(float(k))
    assert long.charge_ah == pytest.approx(short.charge_ah, rel=1e-9)
    assert long.energy_wh == pytest.approx(short.energy_wh, rel=1e-9)
    assert long.volts_at("pack") == pytest.approx(short.volts_at("pack"), abs=1e-9)


@pytest.mark.parametrize("what", ["cv", "cp"])
def test_a_varying_current_hardly_depends_on_the_step(eight: Make, source: Switch, sink: Switch, what: str) -> None:
    def after_two_minutes(step_s: float) -> World:
        world = eight(lower_z_by=0.02)
        if what == "cv":
            source(world, volts=27.5, amps=30.0)
        else:
            sink(world, watts_set=200.0)
        for k in range(1, int(120.0 / step_s) + 1):
            world.advance_to(min(k * step_s, 120.0))
        world.advance_to(120.0)
        return world

    fine = after_two_minutes(0.05)
    for step_s in (0.1, 0.7, 1.0):
        coarse = after_two_minutes(step_s)
        assert coarse.charge_ah == pytest.approx(fine.charge_ah, rel=2e-7), step_s
        assert coarse.energy_wh == pytest.approx(fine.energy_wh, rel=2e-7), step_s


def _stored_ah(world: World) -> float:
    return math.fsum(z * q for z, q in zip(world.pack.z, world.pack.model.coulombs, strict=True)) / 3600.0


def test_charge_in_is_charge_out_plus_stored(eight: Make, source: Switch, sink: Switch) -> None:
    world = eight(lower_z_by=0.3, coulombic=1.0)
    before_ah = _stored_ah(world)
    for k in range(6):
        if k % 2:
            source(world)
            sink(world, watts_set=100.0 + 10.0 * k)
        else:
            sink(world)
            source(world, volts=27.0, amps=6.0)
        world.advance_to(world.t + 333.3)
    cells = len(world.pack.z)
    assert before_ah - _stored_ah(world) == pytest.approx(cells * world.charge_ah, rel=1e-9, abs=1e-9)
    totals = world.totals
    assert totals.supply_c + totals.pack_c == pytest.approx(totals.load_c, rel=1e-6)


def test_charge_loses_what_the_coulombic_share_says(eight: Make, source: Switch) -> None:
    world = eight(lower_z_by=0.5, coulombic=0.99)
    before_ah = _stored_ah(world)
    source(world, volts=29.0, amps=5.0)
    world.advance_to(3600.0)
    assert (_stored_ah(world) - before_ah) / len(world.pack.z) == pytest.approx(0.99 * 5.0, rel=1e-9)


@pytest.mark.parametrize("function", ["amps_set", "ohms_set", "watts_set", "volts_set"])
@pytest.mark.parametrize("supply_volts", [0.0, 26.4, 28.0])
def test_energy_of_sources_is_energy_of_sinks_and_leads(
    eight: Make, source: Switch, sink: Switch, function: str, supply_volts: float
) -> None:
    world = eight(lower_z_by=0.4, leads=Leads(0.02, 0.03, 0.005))
    source(world, volts=supply_volts, amps=3.0)
    sink(world, **{function: {"amps_set": 5.0, "ohms_set": 4.0, "watts_set": 150.0, "volts_set": 26.0}[function]})
    world.advance_to(900.0)
    t = world.totals
    assert t.load_j > 1000.0
    # Where the current is nearly constant the supply's bleed moves by less than a millionth of the rest.
    assert t.supply_j + t.pack_j == pytest.approx(t.load_j + t.leads_j, rel=1e-6)


def test_energy_is_the_integral_of_volts_times_amps(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.9, surface_tau_s=1800.0)
    sink(world, amps_set=5.0)
    joules, h_s = 0.0, 0.01
    before = world.volts_at("pack") * world.pack_amps
    for k in range(1, 6001):
        world.advance_to(k * h_s)
        after = world.volts_at("pack") * world.pack_amps
        joules, before = joules + 0.5 * h_s * (before + after), after
    assert world.energy_wh * 3600.0 == pytest.approx(joules, rel=1e-8)


@pytest.mark.parametrize("outer_s", [0.1, 1.0, 7.3, 60.0])
def test_a_supply_that_reaches_its_volts_is_found_to_a_microsecond(
    single: Make, source: Switch, outer_s: float
) -> None:  # fmt: skip
    """OCV 12 V + 0.2 V/Ah, 50 mohm, and 50 mohm in the supply: 2 A to 14 V end at 13.8 V, 1800 s after 13.6 V."""
    port = SupplyPort(r_source=0.05, i_bleed=0.0, r_bleed=math.inf)
    world = single(z0=0.8, ocv=Table((0.0, 1.0), (12.0, 14.0)), capacity_ah=10.0, r0=0.05, supply=port)
    source(world, volts=14.0, amps=2.0)
    while world.t + outer_s < 1799.0:
        world.advance_to(world.t + outer_s)
    world.advance_to(1800.0 - 1e-6)
    assert port.mode == "cc"
    world.advance_to(1800.0 + 1e-6)
    assert port.mode == "cv"


def test_time_does_not_go_back(eight: Make) -> None:
    world = eight()
    world.advance_to(5.0)
    world.advance_to(5.0)
    with pytest.raises(ValueError, match="only goes forward"):
        world.advance_to(4.999)
    with pytest.raises(ValueError, match="only goes forward"):
        world.advance_to(math.nan)
    assert world.t == 5.0


def test_a_copy_is_independent_and_the_same(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.2)
    sink(world, amps_set=5.0)
    world.advance_to(100.3)
    other = world.copy()
    other.advance_to(500.0)
    assert world.t == 100.3
    world.advance_to(500.0)
    assert world.volts_at("pack") == other.volts_at("pack")
    assert world.charge_ah == other.charge_ah
    assert world.load is not None
    world.load.input_on = False
    world.changed()
    assert other.load_amps == pytest.approx(5.0)


def test_two_models_that_contradict_each_other_are_told(eight: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    world = eight()
    monkeypatch.setattr(SupplyPort, "poll", lambda self, figures, t_s: ["supply: cannot make up its mind"])
    with pytest.raises(RuntimeError, match=r"more than 20 transitions at 0\.0 s .*cannot make up its mind"):
        world.changed()


@pytest.mark.parametrize("seed", range(20))
def test_first_crossing_is_bracketed(seed: int) -> None:
    draw = random.Random(seed)
    root, power, h_s = draw.uniform(0.0, 1.0), draw.choice([0.3, 1.0, 3.0]), 1.0
    asked: list[float] = []

    def excess(t_s: float) -> float:
        asked.append(t_s)
        return math.copysign(abs(t_s - root) ** power, t_s - root)

    found = first_positive(excess, at=h_s, excess_at=excess(h_s), excess_at_0=excess(0.0), within=2e-7)
    assert root < found <= root + 2e-7
    assert len(asked) < (10 if power == 1.0 else 75)


def test_limits_know_which_side_a_condition_is_on() -> None:
    figures = [0.0] * events.FIGURES
    limits = Limits()
    limits.narrow_condition(events.CELL_MIN, above=False, level=2.5, holds=False)
    limits.narrow_condition(events.CELL_MAX, above=True, level=3.65, holds=False)
    for low, high, left in ((2.6, 3.6, False), (2.5, 3.65, False), (2.4, 3.6, True), (2.6, 3.7, True)):
        figures[events.CELL_MIN], figures[events.CELL_MAX] = low, high
        assert limits.left(figures) is left
        assert (limits.excess(figures) > 0.0) is left
    limits.take_in(figures)
    assert not limits.left(figures)
