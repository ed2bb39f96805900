"""Independent trajectories: what is in the data files, and a simulated bench set to one."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.ocv import Table
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.world import Leads, World

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True)
class Case:
    """One file: parameters, exact events and results, thinned rows."""

    name: str
    params: dict[str, Any]
    events: dict[str, float]
    results: dict[str, Any]
    agreement: dict[str, Any]
    rows: tuple[dict[str, Any], ...]

    def due(self, exact_s: float) -> float:
        """How far an event's time may be off, s: 10 ms or 0.001 %, the larger."""
        assert self.agreement["event_time"] == "10 ms or 0.001 %, the larger"
        return max(0.010, 1e-5 * exact_s)


def load_case(name: str) -> Case:
    """Read one file; every file names its source."""
    data = json.loads((DATA / f"{name}.json").read_text())
    assert data["source"].startswith("computed independently with numpy + scipy")
    rows = tuple(dict(zip(data["columns"], row, strict=True)) for row in data["rows"])
    return Case(name, data["params"], data["events"], data["results"], data["expected_agreement"], rows)


def share(text: str) -> float:
    """ "0.01 %" as 1e-4."""
    number, unit = text.split()
    assert unit == "%"
    return float(number) / 100.0


def cell_spec(params: dict[str, Any]) -> CellSpec:
    """The cell of a case, with what it switches off switched off."""
    cell, off = params["cell"], params.get("switched_off", "")
    scale = cell.get("r0_scale")
    heat = math.inf if "heat" in off else cell["mcp"]
    return CellSpec(
        ocv=Table(tuple(params["ocv_table"]["soc"]), tuple(params["ocv_table"]["volts"])),
        capacity_ah=cell["capacity_ah"],
        r0=cell["r0"],
        r1=cell["r1"],
        tau1_s=cell["tau1"],
        r2=cell["r2"],
        tau2_s=cell["tau2"],
        ea_j_mol=cell["ea"],
        coulombic=cell["coulombic"],
        hyst_volts=0.0 if "hysteresis" in off else cell["hyst_v"],
        hyst_gamma=cell["hyst_gamma"],
        heat_j_per_k=heat,
        heat_loss_w_per_k=cell["ha"],
        r0_scale=None if scale is None else Table(tuple(scale[0]), tuple(scale[1])),
    )


def world_of(case: Case) -> World:
    """A bench as the case has it; nothing that the case does not have (no bleed, no leaks)."""
    params = case.params
    each = params.get("cells_each") or [{"z0": params["z0"]}] * params["cells"]
    cells = tuple(
        CellStart(z0=c["z0"], capacity_factor=c.get("cap_factor", 1.0), r_factor=c.get("r_factor", 1.0)) for c in each
    )
    bms = None
    if "bms" in params:
        rules = params["bms"]
        bms = BmsSpec(
            cell_low_volts=rules["uv_v"],
            cell_low_delay_s=rules["uv_delay_s"],
            cell_low_release_volts=rules["uv_release_v"],
            sleep_delay_s=math.inf,
            cell_high_volts=math.inf,
        )
    ambient_c = params["cell"]["ambient_c"]
    lead = params.get("r_lead", 0.0)
    pack = Pack(
        cell=cell_spec(params), cells=cells, bms=bms, r_bms=params["r_bms"], temp_c=ambient_c,
        r_leak=math.inf, r_terminals=math.inf,
    )  # fmt: skip
    return World(
        pack=pack,
        supply=SupplyPort(i_bleed=0.0, r_bleed=math.inf, r_source=0.0, remote_sense=params.get("sense") == "remote"),
        load=LoadPort(hot_c=math.inf),
        leads=Leads(r_supply=lead, r_load=lead),
        ambient_c=ambient_c,
    )


def advance(world: World, to_s: float, *, outer_s: float) -> None:
    """Advance in steps of ``outer_s``, as a harness would."""
    while world.t + outer_s < to_s:
        world.advance_to(world.t + outer_s)
    world.advance_to(to_s)


def first_moment(world: World, done: Callable[[World], bool], *, within_s: float = 1e-6) -> World:
    """The bench at the first moment ``done``, found by halving on copies; it must not come and go within a second."""
    before = world.copy()
    while not done(world):
        before = world.copy()
        world.advance_to(world.t + 1.0)
    low, high = before.t, world.t
    while high - low > within_s:
        middle = 0.5 * (low + high)
        at = before.copy()
        at.advance_to(middle)
        low, high = (low, middle) if done(at) else (middle, high)
    before.advance_to(high)
    return before
