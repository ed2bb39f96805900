"""Heat of the cells and of the load's sink: the books balance."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sims.world import World

Make = Callable[..., World]
Switch = Callable[..., None]


def _watts_made_and_lost(world: World) -> tuple[float, float]:
    """Heat made and given to the room by all cells, from the state alone (I^2 R0 + v1^2 / R1 + v2^2 / R2)."""
    model, cells, amps = world.pack.model, world.pack.cells, world.pack_amps
    made = lost = 0.0
    for k, kelvin in enumerate(cells.kelvin):
        f = math.exp(20000.0 / 8.314462618 * (1.0 / kelvin - 1.0 / 298.15))
        made += amps**2 * model.r0[k] * f
        made += (cells.v1[k] ** 2 / model.r1[k] + cells.v2[k] ** 2 / model.r2[k]) / f
        lost += 0.1 * (kelvin - 273.15 - world.ambient_c)
    return made, lost


@pytest.mark.parametrize("what", ["amps_set", "watts_set", "charge"])
@pytest.mark.parametrize("ambient_c", [5.0, 25.0])
def test_heat_made_is_heat_stored_and_lost(
    eight: Make, source: Switch, sink: Switch, what: str, ambient_c: float
) -> None:
    """Made and lost are integrated here from sampled states, Simpson over half-second steps, not by the simulator."""
    world = eight(lower_z_by=0.5, ambient_c=ambient_c)
    if what == "charge":
        source(world, volts=28.0, amps=9.0)
    else:
        sink(world, **{what: {"amps_set": 19.0, "watts_set": 450.0}[what]})
    start = list(world.pack.cells.kelvin)
    made = lost = 0.0
    before = _watts_made_and_lost(world)
    for _ in range(600):
        world.advance_to(world.t + 0.5)
        middle = _watts_made_and_lost(world)
        world.advance_to(world.t + 0.5)
        after = _watts_made_and_lost(world)
        made += (before[0] + 4.0 * middle[0] + after[0]) / 6.0
        lost += (before[1] + 4.0 * middle[1] + after[1]) / 6.0
        before = after
    stored = 280.0 * math.fsum(b - a for a, b in zip(start, world.pack.cells.kelvin, strict=True))
    assert made > 500.0
    assert made == pytest.approx(stored + lost, rel=1e-6)
    assert world.pack.heat_j == pytest.approx(made, rel=1e-6)
    assert world.pack.heat_lost_j == pytest.approx(lost, rel=1e-6)


def test_a_warm_pack_cools_to_the_room(eight: Make) -> None:
    """At rest T - T_room = dT0 exp(-t hA / (m cp)), here 2800 s."""
    world = eight(lower_z_by=0.5)
    world.pack.cells.kelvin = [k + 10.0 for k in world.pack.cells.kelvin]
    world.changed()
    world.advance_to(2800.0)
    assert world.temp_c("pack") == pytest.approx(25.0 + 10.0 * math.exp(-1.0), abs=1e-4)
    assert world.temp_c("ambient") == 25.0


def test_a_cell_that_loses_no_heat_keeps_it(eight: Make, sink: Switch) -> None:
    world = eight(lower_z_by=0.3, heat_loss_w_per_k=0.0)
    sink(world, amps_set=10.0)
    world.advance_to(600.0)
    rise = [280.0 * (k - 298.15) for k in world.pack.cells.kelvin]
    assert math.fsum(rise) == pytest.approx(world.pack.heat_j, rel=1e-9)
    assert world.pack.heat_lost_j == pytest.approx(0.0, abs=1e-6)


def test_a_cold_pack_has_more_resistance_and_warms_up_more(eight: Make, sink: Switch) -> None:
    rises = []
    for ambient_c in (0.0, 25.0):
        world = eight(lower_z_by=0.3, ambient_c=ambient_c)
        sink(world, amps_set=10.0)
        world.advance_to(1200.0)
        rises.append(world.temp_c("pack") - ambient_c)
    assert rises[0] > 1.5 * rises[1] > 0.5


def test_the_loads_sink_warms_up_and_its_stop_latches(eight: Make, sink: Switch) -> None:
    """260 W into 0.1 K/W and 400 J/K aim at 26 K; 40 s is the time constant."""
    world = eight(lower_z_by=0.3)
    assert world.load is not None
    sink(world, amps_set=10.0)
    world.advance_to(40.0)
    watts = world.totals.load_j / 40.0
    assert world.temp_c("load") == pytest.approx(25.0 + 0.1 * watts * (1.0 - math.exp(-1.0)), rel=2e-3)
    world.load.hot_c, world.load.cool_c = 45.0, 30.0
    world.changed()
    world.advance_to(200.0)
    assert world.load.hot_tripped
    assert not world.load.input_on
    assert world.load_amps == 0.0
    assert world.events[-1].what == "load: heat sink above 45 degC, input off"
    at_s = world.events[-1].t_s
    by_hand = 40.0 + 40.0 * math.log((51.0 - world.temp_c("ambient") - 15.8) / (51.0 - 45.0))
    assert at_s == pytest.approx(by_hand, abs=4.0)
    assert world.load.hot_tripped, "stays latched when it has cooled"
    world.load.input_on = True
    world.changed()
    assert not world.load.input_on, "cannot be switched on while latched"
    world.load.clear_trips()
    world.load.input_on = True
    world.changed()
    assert world.load_amps == pytest.approx(10.0)
    while world.load.input_on:
        world.advance_to(world.t + 1.0)
    world.load.clear_trips()
    assert world.load.hot_tripped, "not cleared while hot"
