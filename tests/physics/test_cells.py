"""What single cells do: spread, balancing, self-discharge, the surface option, the ends of the charge scale."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sims.bms import BmsSpec
from sims.cell import CellModel, CellSpec, CellStart
from sims.ocv import LIFEPO4, Table
from sims.pack import Pack
from sims.world import Leads, World

Make = Callable[..., World]
Switch = Callable[..., None]


def test_the_weakest_cell_ends_a_discharge(eight: Make, sink: Switch) -> None:
    world = eight()
    left_ah = [z * q / 3600.0 for z, q in zip(world.pack.z, world.pack.model.coulombs, strict=True)]
    sink(world, amps_set=2.0)
    while world.pack.closed and world.t < 36000.0:
        world.advance_to(world.t + 10.0)
    volts = world.pack.cell_volts(0.0)
    assert volts.index(min(volts)) == left_ah.index(min(left_ah)) == 4
    assert world.charge_ah == pytest.approx(min(left_ah), abs=0.1)


def test_self_discharge_empties_at_its_share_per_second(eight: Make) -> None:
    """3 % a month, ours: 1.14e-8 of the capacity each second, beside what the bleed resistor takes."""
    world = eight(lower_z_by=0.2, self_discharge_per_s=1.14e-8)
    z, coulombs = world.pack.z[0], world.pack.model.coulombs[0]
    world.advance_to(3600.0)
    assert z - world.pack.z[0] == pytest.approx(3600.0 * (1.14e-8 + world.charge_ah / coulombs), rel=1e-9)


def test_a_full_cell_sinks_at_rest_with_the_surface_option(single: Make, source: Switch, sink: Switch) -> None:
    def bench(surface_tau_s: float) -> World:
        return single(z0=0.9, ocv=LIFEPO4, capacity_ah=10.0, r0=0.005, surface_tau_s=surface_tau_s)

    rested = {}
    for tau_s in (0.0, 1200.0):
        world = bench(tau_s)
        source(world, volts=3.6, amps=5.0)
        world.advance_to(3600.0)
        source(world)
        world.advance_to(3600.0 + 2.0 * 3600.0)
        rested[tau_s] = world.volts_at("pack")
        charged = -world.charge_ah
        assert 0.98 < charged < 1.001
        source(world, volts=3.6, amps=5.0)
        world.advance_to(world.t + 600.0)
        assert world.supply_amps < 0.1, "a full cell is soon full again"
        source(world)
        sink(world, amps_set=5.0)
        world.advance_to(world.t + 360.0)
        assert world.volts_at("pack") < 3.34
    assert rested[0.0] > 3.55
    assert 3.33 < rested[1200.0] < 3.38, "common practice: 3.33-3.36 V an hour or so after full charge"


def test_balancing_bleeds_high_cells_while_charging_only(eight: Make, source: Switch) -> None:
    """A cell above 3.45 V loses V / 40 ohm, about 88 mA, beside the others."""
    spec = BmsSpec(cell_high_volts=math.inf)
    worlds = [eight(bms=spec, bleed_volts=level) for level in (3.45, math.inf)]
    for world in worlds:
        source(world, volts=28.4, amps=1.0)
    with_it, without = worlds
    while not any(with_it.pack.cells.bled) and with_it.t < 3600.0:
        with_it.advance_to(with_it.t + 1.0)
    begun_s = with_it.t
    bled = with_it.pack.cells.bled.index(max(with_it.pack.cells.bled))
    assert max(with_it.pack.cells.bled) == pytest.approx(3.45 / 40.0, rel=0.01)
    while any(with_it.pack.cells.bled) and with_it.t < begun_s + 120.0:
        with_it.advance_to(with_it.t + 1.0)
    without.advance_to(with_it.t)
    taken = (without.pack.z[bled] - with_it.pack.z[bled]) * with_it.pack.model.coulombs[bled]
    assert taken == pytest.approx(0.0875 * (with_it.t - begun_s) * 0.998, rel=0.05)
    source(with_it)
    assert not any(with_it.pack.cells.bled)


def test_pushing_past_full_or_empty_is_held_and_told(single: Make, source: Switch, sink: Switch) -> None:
    for z0, amps, end in ((0.999, -5.0, 1.0), (0.001, 5.0, 0.0)):
        world = single(z0=z0, ocv=Table((0.0, 1.0), (3.0, 3.4)), capacity_ah=10.0)
        if amps < 0.0:
            source(world, volts=5.0, amps=-amps)
        else:
            sink(world, amps_set=amps)
        world.advance_to(60.0)
        assert world.pack.z == [end]
        assert [e.what for e in world.events] == ["pack: a cell is pushed past full or empty and held there"]


def test_resistance_over_state_of_charge_rises_towards_full(single: Make, source: Switch) -> None:
    scale = Table((0.0, 0.9, 1.0), (1.0, 1.0, 10.0))
    flat = single(z0=0.85, ocv=Table((0.0, 1.0), (3.0, 3.0)), capacity_ah=10.0, r0=0.01, r0_scale=scale)
    source(flat, volts=10.0, amps=10.0)
    for z, ohms in ((0.87, 0.01), (0.95, 0.055), (0.99, 0.091)):
        flat.advance_to((z - 0.85) * 3600.0)
        assert flat.volts_at("pack") == pytest.approx(3.0 + 10.0 * ohms, abs=1e-9)
    spent_wh = -flat.energy_wh
    by_hand = 3.0 * 1.4 + 10.0 * (0.5 * 0.01 + 0.9 * (0.01 + 0.091) / 2.0)
    assert spent_wh == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(
    ("starts", "spec", "words"),
    [
        ((), CellSpec(), "no cells"),
        ((CellStart(z0=1.2),), CellSpec(), "state of charge 1.2"),
        ((CellStart(z0=math.nan),), CellSpec(), "state of charge nan"),
        ((CellStart(),), CellSpec(ocv=Table((0.1, 1.0), (3.0, 3.4))), "must cover 0..1"),
    ],
)
def test_cells_that_cannot_be_are_refused(starts: tuple[CellStart, ...], spec: CellSpec, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        CellModel(spec, starts)


def test_asleep_without_a_bms_is_refused() -> None:
    with pytest.raises(ValueError, match="asleep without a BMS"):
        Pack(cell=CellSpec(), cells=(CellStart(),), asleep=True)


def test_a_lead_to_the_pack_counts_for_everyone(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.3, leads=Leads(0.0, 0.0, 0.05))
    sink(world, amps_set=4.0)
    assert world.volts_at("pack") - world.volts_at("node") == pytest.approx(0.2, abs=1e-3)
    assert world.volts_at("load") == world.volts_at("node")
