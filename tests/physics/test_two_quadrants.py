"""A supply that sinks: closed forms at both limits and in between, and books that stay balanced."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from sims.circuit import Branch, Piece, sense_of, solve
from sims.load import LoadPort
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]

EMF, R_CELL = 12.6, 0.05
"""The plain cell of these tests: V behind ohm."""


def at_volts(single: Make, volts: float, *, sink_amps: float, r_lead: float = 0.03, **port: object) -> World:
    supply = SupplyPort(
        volts_set=volts, amps_set=5.0, output_on=True, r_source=0.0, i_bleed=0.02, sink_amps=sink_amps, **port
    )  # type: ignore[arg-type]
    world = single(supply=supply, leads=Leads(r_lead, 0.0, 0.0))
    world.changed()
    return world


@pytest.mark.parametrize(
    ("volts", "mode", "amps"),
    [
        (13.4, "cc", 5.0),
        (12.8, "cv", 2.5),
        (12.6, "cv", 0.0),
        (12.4, "cv", -2.5),
        (12.3, "cv", -3.75),
        (12.28, "cv", -4.0),
        (12.2, "driven", -4.0),
        (0.0, "driven", -4.0),
    ],
)
def test_source_and_sink(single: Make, volts: float, mode: str, amps: float) -> None:
    """(Vs - E) / (R + RL) between the limits, 5 A out and 4 A in."""
    world = at_volts(single, volts, sink_amps=4.0)
    assert world.supply_amps == pytest.approx(amps, abs=1e-6)
    assert world.pack_amps == pytest.approx(-amps, abs=1e-6)
    if volts not in (12.28,):
        assert world.supply is not None
        assert world.supply.mode == mode
    assert world.volts_at("pack") == pytest.approx(EMF + amps * R_CELL, abs=1e-6)


def test_with_nothing_to_sink_it_is_the_one_quadrant_supply(single: Make) -> None:
    one, two = (at_volts(single, 12.0, sink_amps=amps) for amps in (0.0, 0.01))
    assert one.supply_amps == two.supply_amps == -0.02, "its bleed current flows whatever the limit"


def test_off_it_sinks_nothing_but_its_bleed_resistor(single: Make) -> None:
    world = at_volts(single, 0.0, sink_amps=4.0)
    assert world.supply is not None
    world.supply.output_on = False
    world.changed()
    assert world.supply_amps == pytest.approx(-EMF / 5000.0, rel=1e-3)


def test_remote_sense_holds_the_packs_terminals_while_it_sinks(single: Make) -> None:
    world = at_volts(single, 12.5, sink_amps=4.0, remote_sense=True)
    assert world.volts_at("pack") == pytest.approx(12.5, abs=1e-5)
    assert world.supply_amps == pytest.approx(-(EMF - 12.5) / R_CELL, abs=1e-3)
    assert world.volts_at("supply") == pytest.approx(12.5 - 2.0 * 0.03, abs=1e-4)


def test_load_and_sink_share_the_pack(single: Make) -> None:
    """3 A in the load, volts held at 12.2 V: (12.6 - 12.2 - 3 x 0.05) / (0.05 + 0.03) = 3.125 A into the supply."""
    world = at_volts(single, 12.2, sink_amps=4.0)
    assert world.load is not None
    world.load.amps_set, world.load.input_on = 3.0, True
    world.changed()
    assert world.supply_amps == pytest.approx(-3.125, abs=1e-6)
    assert world.pack_amps == pytest.approx(6.125, abs=1e-6)


def test_a_pack_that_runs_down_through_the_sink_is_discharged(eight: Make) -> None:
    world = eight(supply=SupplyPort(volts_set=25.5, amps_set=5.0, output_on=True, sink_amps=8.0), lower_z_by=0.4)
    world.changed()
    assert world.supply_amps == pytest.approx(-8.0, abs=1e-6), "at its limit first"
    world.advance_to(6000.0)
    assert world.supply is not None
    assert world.supply.mode == "cv"
    assert -8.0 < world.supply_amps < 0.0, "then it holds the volts and the current tails off"
    assert world.charge_ah == pytest.approx(-world.totals.supply_c / 3600.0, abs=1e-9)


def handle(world: World, draw: random.Random) -> None:
    supply, load = world.supply, world.load
    assert supply is not None
    assert load is not None
    supply.output_on, supply.amps_set = draw.random() < 0.8, draw.choice([0.0, 0.1, 5.0])
    supply.volts_set = draw.choice([0.0, 20.0, 25.6, 26.4, 26.6, 27.6, 28.8])
    supply.sink_amps = draw.choice([0.0, 0.1, 3.0, 15.0])
    supply.over_amps_enabled = draw.random() < 0.2
    load.input_on, load.function = draw.random() < 0.5, draw.choice(["cc", "cv", "cr", "cp"])
    load.amps_set, load.volts_set = draw.choice([0.0, 2.0, 10.0]), draw.choice([20.0, 25.6, 27.2])
    load.ohms_set, load.watts_set = draw.choice([4.0, 100.0]), draw.choice([0.0, 60.0, 150.0])
    supply.clear_trips()
    load.clear_trips()
    world.changed()


@pytest.mark.parametrize("seed", range(12))
def test_energy_and_charge_stay_in_the_books(eight: Make, seed: int) -> None:
    draw = random.Random(seed)
    world = eight(
        lower_z_by=draw.choice([-0.03, 0.0, 0.45, 0.85]),
        pack={"r_terminals": math.inf},
        supply=SupplyPort(slew=draw.choice([math.inf, 500.0]), remote_sense=draw.random() < 0.4),
        load=LoadPort(remote_sense=draw.random() < 0.4),
        leads=Leads(draw.choice([0.0, 0.02]), draw.choice([0.0, 0.02]), draw.choice([0.0, 0.01])),
    )
    for _ in range(12):
        handle(world, draw)
        world.advance_to(world.t + draw.choice([0.1, 1.0, 10.0, 60.0]))
        assert world.pack_amps + world.supply_amps == pytest.approx(world.load_amps, abs=1e-6)
        assert world.supply is not None
        assert world.supply_amps >= -max(world.supply.sink_amps, world.supply.i_bleed) - 1e-6
    t = world.totals
    assert t.pack_c + t.supply_c == pytest.approx(t.load_c, rel=1e-6, abs=1e-3)
    turned_over = abs(t.supply_j) + abs(t.pack_j) + abs(t.load_j)
    assert t.supply_j + t.pack_j == pytest.approx(t.load_j + t.leads_j, abs=1e-6 * turned_over + 1e-3)


@pytest.mark.parametrize("sink_amps", [0.0, 3.0])
@pytest.mark.parametrize("hundredths", range(2520, 2680, 4))
def test_a_stiff_regulator_holds_what_a_leak_pushes_against(sink_amps: float, hundredths: int) -> None:
    """A blocked pack 30 mV above a supply that may source nothing: its volts, not the pack's, stand at the node."""
    volts = hundredths / 100.0
    supply = SupplyPort(volts_set=volts, amps_set=0.0, output_on=True, sink_amps=sink_amps, remote_sense=True)
    supply.start_ramp(0.0)
    blocked = Branch("blocked", emf=volts + 0.0270190038, ohms=1e7, v_high=volts + 0.72)
    sense = sense_of(blocked, 0.0)
    solution = solve(blocked, r_pack=0.0, elements=[supply.pieces(0.0, sense), (Piece("off"),)])
    assert solution is not None
    node_volts, (piece, _) = solution
    assert piece.name in ("cv", "driven")
    assert node_volts == pytest.approx(volts, abs=1e-6)
