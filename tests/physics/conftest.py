"""Benches for the physics tests: ours, invented, as plain as each test needs."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.ocv import Table
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]


def straight(empty_volts: float, full_volts: float) -> Table:
    """An open-circuit voltage that is one straight line."""
    return Table((0.0, 1.0), (empty_volts, full_volts))


def plain_cell(**changes: Any) -> CellSpec:
    """A cell with one resistance and nothing else, at a fixed temperature."""
    plain: dict[str, Any] = {
        "ocv": straight(12.6, 12.6), "capacity_ah": 1000.0, "r0": 0.05, "r1": 0.0, "r2": 0.0, "coulombic": 1.0,
        "hyst_volts": 0.0, "heat_j_per_k": math.inf,
    }  # fmt: skip
    return CellSpec(**(plain | changes))


def ideal_supply(**changes: Any) -> SupplyPort:
    """No resistance, no bleed, enough of everything."""
    ideal: dict[str, Any] = {"r_source": 0.0, "i_bleed": 0.0, "r_bleed": math.inf, "amps_set": 100.0}
    return SupplyPort(**(ideal | changes))


def ideal_load(**changes: Any) -> LoadPort:
    """A small knee, no heat, no limits."""
    return LoadPort(**({"r_min": 1e-3, "hot_c": math.inf, "amps_max": 1000.0} | changes))


@pytest.fixture
def single() -> Make:
    """A bench with one plain cell, without BMS, ideal instruments, no leads; keyword arguments change parts."""

    def make(
        *,
        z0: float = 1.0,
        supply: SupplyPort | None = None,
        load: LoadPort | None = None,
        leads: Leads | None = None,
        **cell: Any,
    ) -> World:
        pack = Pack(cell=plain_cell(**cell), cells=(CellStart(z0=z0),), r_bms=0.0)
        return World(
            pack=pack, supply=supply or ideal_supply(), load=load or ideal_load(), leads=leads or Leads(0.0, 0.0, 0.0)
        )

    return make


FIGURES = (
    (0.960, 1.010, 1.00), (0.958, 1.000, 0.98), (0.955, 0.995, 1.02), (0.962, 1.005, 1.00),
    (0.950, 0.970, 1.10), (0.960, 1.000, 1.00), (0.957, 0.990, 1.01), (0.961, 1.000, 0.99),
)  # fmt: skip
UNEQUAL = tuple(CellStart(z0=z, capacity_factor=c, r_factor=r) for z, c, r in FIGURES)


@pytest.fixture
def eight() -> Make:
    """A bench with eight unequal LiFePO4 cells of 10 Ah behind a BMS, everything on; keyword arguments change parts."""

    def make(
        *,
        bms: BmsSpec | None = None,
        lower_z_by: float = 0.0,
        leads: Leads | None = None,
        supply: SupplyPort | None = None,
        load: LoadPort | None = None,
        ambient_c: float = 25.0,
        pack: dict[str, Any] | None = None,
        **cell: Any,
    ) -> World:
        cells = tuple(CellStart(c.z0 - lower_z_by, c.capacity_factor, c.r_factor) for c in UNEQUAL)
        return World(
            pack=Pack(cell=CellSpec(**cell), cells=cells, bms=bms or BmsSpec(), temp_c=ambient_c, **(pack or {})),
            supply=supply or SupplyPort(amps_max=30.0),
            load=load or LoadPort(),
            leads=leads or Leads(),
            ambient_c=ambient_c,
        )

    return make


@pytest.fixture
def source() -> Callable[..., None]:
    """Switch the supply on at volts and amps, or off."""

    def switch(world: World, *, volts: float = 0.0, amps: float = 0.0) -> None:
        assert world.supply is not None
        world.supply.volts_set, world.supply.amps_set, world.supply.output_on = volts, amps, volts > 0.0
        world.changed()

    return switch


@pytest.fixture
def sink() -> Callable[..., None]:
    """Switch the load on in a function, or off (no figure given)."""

    def switch(world: World, **figures: float) -> None:
        assert world.load is not None
        world.load.input_on = bool(figures)
        for key, value in figures.items():
            world.load.function = {"amps_set": "cc", "volts_set": "cv", "ohms_set": "cr", "watts_set": "cp"}[key]
            setattr(world.load, key, value)
        world.changed()

    return switch
