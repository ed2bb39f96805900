"""The world in time against closed forms. Outside values computed independently from the formulas in the docstrings."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sims.cell import GAS_CONSTANT, CellModel, CellSpec, CellStart
from sims.ocv import LIFEPO4, NMC, Table
from sims.world import World

Make = Callable[..., World]
Switch = Callable[..., None]

# t s, volts at 13.2 V constant, volts at 13.2 V falling 0.4 V/Ah, volts of the RC branch
STEP_ON = (
    (0.0, 13.02, 13.02, 0.0),
    (1.0, 13.0160659321, 13.0153992654, 0.0039340679),
    (10.0, 12.9859837573, 12.9793170906, 0.0340162427),
    (18.0, 12.9658573963, 12.9538573963, 0.0541426037),
    (30.0, 12.9441455329, 12.9241455329, 0.0758544671),
    (60.0, 12.9162402340, 12.8762402340, 0.1037597660),
    (120.0, 12.9021978767, 12.8221978767, 0.1178021233),
    (300.0, 12.9000054480, 12.7000054480, 0.1199945520),
)
STEP_OFF = (
    (0.0, 13.0800054480, 12.8800054480, 0.1199945520),
    (1.0, 13.0839393373, 12.8839393373, 0.1160606627),
    (10.0, 13.1140201464, 12.9140201464, 0.0859798536),
    (30.0, 13.1558564713, 12.9558564713, 0.0441435287),
    (120.0, 13.1978022231, 12.9978022231, 0.0021977769),
    (300.0, 13.1999945523, 12.9999945523, 0.0000054477),
)


@pytest.mark.parametrize(("column", "empty_volts"), [(1, 13.2), (2, 9.2)])
def test_current_step_on_one_rc_branch(
    single: Make, sink: Switch, column: int, empty_volts: float
) -> None:  # fmt: skip
    """30 mohm, 20 mohm with 1500 F (30 s), 6 A for 300 s, then off. v = OCV - I R0 - I R1 (1 - exp(-t / tau))."""
    world = single(
        ocv=Table((0.0, 1.0), (empty_volts, 13.2)), capacity_ah=10.0, r0=0.03, r1=0.02, tau1_s=30.0
    )  # fmt: skip
    for rows, amps, start_s in ((STEP_ON, 6.0, 0.0), (STEP_OFF, None, 300.0)):
        sink(world, **({} if amps is None else {"amps_set": amps}))
        for row in rows:
            world.advance_to(start_s + row[0])
            assert world.volts_at("pack") == pytest.approx(row[column], abs=2e-10)
            assert world.pack.cells.v1[0] == pytest.approx(row[3], abs=2e-10)


def test_charge_leg_then_taper_at_constant_volts(single: Make, source: Switch) -> None:
    """OCV 12.8 V + 0.2 V/Ah, 50 mohm. 1.2 A from empty reaches 14.2 V with 6.7 Ah in 5.583333333 h; then
    i = 1.2 exp(-t / 900 s), 0.06 A after 2696.159046 s with 0.285 Ah more."""
    world = single(z0=0.0, ocv=Table((0.0, 1.0), (12.8, 14.8)), capacity_ah=10.0, r0=0.05)
    source(world, volts=14.2, amps=1.2)
    assert world.supply is not None
    leg_s = 5.583333333333333 * 3600.0
    world.advance_to(leg_s - 0.005)
    assert world.supply.mode == "cc"
    world.advance_to(leg_s + 0.005)
    assert world.supply.mode == "cv"
    assert -world.charge_ah == pytest.approx(6.7, abs=3e-6)
    for t_s, amps in (
        (60, 1.1226083820), (300, 0.8598375727), (600, 0.6161005428), (900, 0.4414553294),
        (1800, 0.1624023399), (2700, 0.0597444820), (3600, 0.0219787667),
    ):  # fmt: skip
        if t_s > 2696.159046 and world.t < leg_s + 2696.0:
            world.advance_to(leg_s + 2696.159046)
            assert world.supply_amps == pytest.approx(0.06, abs=1e-6)
            assert -world.charge_ah == pytest.approx(6.7 + 0.285, abs=1e-6)
        world.advance_to(leg_s + t_s)
        assert world.supply_amps == pytest.approx(amps, abs=5e-6)


def test_constant_power_discharge(single: Make, sink: Switch) -> None:
    """OCV 13.6 V - 0.4 V/Ah, 50 mohm, 60 W. t(h) = [F(E0) - F(E1)] / (2 P k), F = E^2/2 + E S/2 - 2 R P ln(E + S),
    S = sqrt(E^2 - 4 R P)."""
    world = single(ocv=Table((0.0, 1.0), (9.6, 13.6)), capacity_ah=10.0, r0=0.05)
    sink(world, watts_set=60.0)
    assert world.volts_at("pack") == pytest.approx(13.3757128891, abs=1e-9)
    assert world.pack_amps == pytest.approx(4.48574221781, abs=1e-9)
    for volts, amps, ah, hours, wh in (
        (13.0, 4.6153846154, 0.9230769231, 0.2028905810, 12.1734348597),
        (12.0, 5.0, 3.375, 0.7137185759, 42.8231145522),
        (11.0, 5.4545454545, 5.8181818182, 1.1820088204, 70.9205292247),
        (10.5, 5.7142857143, 7.0357142857, 1.4001521518, 84.0091291075),
        (10.0, 6.0, 8.25, 1.6075950479, 96.4557028762),
    ):
        world.advance_to(3600.0 * hours)
        assert world.volts_at("pack") == pytest.approx(volts, abs=1e-7)
        assert world.pack_amps == pytest.approx(amps, abs=1e-7)
        assert world.charge_ah == pytest.approx(ah, abs=1e-7)
        assert world.energy_wh == pytest.approx(wh, abs=1e-6)


def test_constant_resistance_discharge(single: Make, sink: Switch) -> None:
    """OCV falls b per Ah: the current falls as exp(-t / tau), tau = 3600 (R + R_load) / b."""
    world = single(ocv=Table((0.0, 1.0), (9.6, 13.6)), capacity_ah=10.0, r0=0.05)
    sink(world, ohms_set=3.95)
    world.advance_to(5000.0)
    decay = math.exp(-5000.0 * 0.4 / (3600.0 * 4.0))
    assert world.load_amps == pytest.approx(13.6 / 4.0 * decay, rel=1e-9)
    assert world.charge_ah == pytest.approx(13.6 / 0.4 * (1.0 - decay), rel=1e-9)


@pytest.mark.parametrize(("temp_c", "factor"), [(0.0, 2.09261), (-10.0, 2.92433), (25.0, 1.0)])
def test_resistance_over_temperature(temp_c: float, factor: float) -> None:
    """exp(Ea / R (1/T - 1/298.15 K)) with Ea = 20 kJ/mol."""
    model = CellModel(CellSpec(ea_j_mol=20000.0, r0=0.001), (CellStart(),))
    assert model.begin(temp_c).ohms[0] == pytest.approx(0.001 * factor, rel=5e-6)
    by_hand = math.exp(20000.0 / GAS_CONSTANT * (1.0 / (temp_c + 273.15) - 1.0 / 298.15))
    assert model.begin(temp_c).ohms[0] == pytest.approx(0.001 * by_hand, rel=1e-12)


def test_hysteresis_at_constant_current(single: Make, sink: Switch) -> None:
    """h = -s + (h0 + s) exp(-gamma |q| / C), and the volts follow M h."""
    world = single(capacity_ah=10.0, hyst_volts=0.01, hyst_gamma=50.0, r0=0.0)
    sink(world, amps_set=5.0)
    world.advance_to(120.0)
    h = -1.0 + math.exp(-50.0 * 600.0 / 36000.0)
    assert world.pack.cells.hyst[0] == pytest.approx(h, rel=1e-12)
    assert world.volts_at("pack") == pytest.approx(12.6 + 0.01 * h, abs=1e-6)
    sink(world)
    world.advance_to(1000.0)
    assert world.pack.cells.hyst[0] == pytest.approx(h, rel=1e-12), "frozen without current"


@pytest.mark.parametrize("table", [LIFEPO4, NMC])
def test_table_area_is_the_integral_of_its_value(table: Table) -> None:
    n = 40_000
    for upto in (0.013, 0.5, 0.985, 1.0):
        step = upto / n
        by_midpoints = sum(table.value((k + 0.5) * step) for k in range(n)) * step
        assert table.area(upto) == pytest.approx(by_midpoints, abs=1e-7)
    assert table.value(-1.0) == table.values[0]
    assert table.value(2.0) == table.values[-1]
    assert [table.value(z) for z in table.at] == pytest.approx(list(table.values))


@pytest.mark.parametrize(
    ("at", "values"),
    [((0.0, 1.0), (1.0,)), ((0.0,), (1.0,)), ((0.0, 0.5, 0.5), (1.0, 2.0, 3.0)), ((1.0, 0.0), (1.0, 2.0))],
)
def test_a_table_that_is_none_is_refused(at: tuple[float, ...], values: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="table:"):
        Table(at, values)
