"""Seeded rough handling: any settings in any order, and the bench neither contradicts itself nor loses track."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from sims.bms import BmsSpec
from sims.load import LoadPort
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]


def _bench(eight: Make, draw: random.Random) -> World:
    """Without the terminals' resistor and output capacitor, whose energy is not in the books."""
    return eight(
        lower_z_by=draw.choice([-0.03, 0.0, 0.45, 0.85, 0.94]),
        surface_tau_s=draw.choice([0.0, 1800.0]),
        bleed_volts=draw.choice([math.inf, 3.45]),
        heat_j_per_k=draw.choice([math.inf, 50.0]),
        bms=draw.choice([BmsSpec(), BmsSpec(cell_low_release_volts=2.55, sleep_delay_s=20.0, charge_amps=6.0)]),
        pack={"reversed_": draw.random() < 0.1, "r_leak": draw.choice([math.inf, 1e6]), "r_terminals": math.inf},
        supply=SupplyPort(slew=draw.choice([math.inf, 500.0]), remote_sense=draw.random() < 0.4),
        load=LoadPort(
            slew=draw.choice([math.inf, 1000.0]),
            remote_sense=draw.random() < 0.4,
            watts_max=draw.choice([math.inf, 200.0]),
        ),
        leads=Leads(draw.choice([0.0, 0.02]), draw.choice([0.0, 0.02]), draw.choice([0.0, 0.01])),
        ambient_c=draw.choice([-5.0, 25.0, 43.0]),
    )


def _handle(world: World, draw: random.Random) -> None:
    supply, load = world.supply, world.load
    assert supply is not None
    assert load is not None
    supply.output_on, supply.amps_set = draw.random() < 0.5, draw.choice([0.0, 0.1, 5.0, 12.0])
    supply.volts_set = draw.choice([0.0, 12.0, 26.4, 27.6, 28.8, 29.6])
    supply.over_volts, supply.over_amps_enabled = draw.choice([math.inf, 29.2]), draw.random() < 0.2
    load.input_on, load.function = draw.random() < 0.5, draw.choice(["cc", "cv", "cr", "cp"])
    load.amps_set, load.volts_set = draw.choice([0.0, 2.0, 10.0, 80.0]), draw.choice([0.0, 20.0, 25.6, 27.2])
    load.ohms_set, load.watts_set = draw.choice([0.01, 4.0, 100.0]), draw.choice([0.0, 60.0, 150.0, 800.0])
    load.low_volts = draw.choice([0.0, 20.0, 24.8])
    if draw.random() < 0.5:
        supply.clear_trips()
        load.clear_trips()
    world.changed()


@pytest.mark.parametrize("seed", range(12))
def test_energy_and_charge_stay_in_the_books(eight: Make, seed: int) -> None:
    draw = random.Random(seed)
    world = _bench(eight, draw)
    for _ in range(12):
        _handle(world, draw)
        world.advance_to(world.t + draw.choice([0.1, 1.0, 10.0, 60.0]))
        volts = [world.volts_at(place) for place in ("pack", "node", "supply", "load")]
        assert all(map(math.isfinite, volts))
        assert all(0.0 <= z <= 1.0 for z in world.pack.z)
        assert world.pack.sign * world.pack_amps + world.supply_amps == pytest.approx(world.load_amps, abs=1e-6)
    t = world.totals
    assert world.pack.sign * t.pack_c + t.supply_c == pytest.approx(t.load_c, rel=1e-6, abs=1e-3)
    turned_over = abs(t.supply_j) + abs(t.pack_j) + abs(t.load_j)
    assert t.supply_j + t.pack_j == pytest.approx(t.load_j + t.leads_j, abs=1e-6 * turned_over + 1e-3)


def test_the_same_handling_gives_the_same_night(eight: Make) -> None:
    nights = []
    for _ in range(2):
        draw = random.Random(5)
        world = _bench(eight, draw)
        for _ in range(8):
            _handle(world, draw)
            world.advance_to(world.t + 20.0)
        nights.append((world.charge_ah, world.energy_wh, tuple(world.pack.z), tuple(world.events)))
    assert nights[0] == nights[1]
