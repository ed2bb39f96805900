"""The node with a UPS on it: currents add up to nothing, the formula agrees with the walk, order does not matter."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.cell import CellSpec, CellStart
from sims.circuit import amps_into_node, sense_of, solve
from sims.load import LoadPort
from sims.node import NO_PACK, Leads, elements_of, solve_bench
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import ChargerSpec, Ups, UpsSpec

STATES = st.sampled_from(["off", "mains", "battery", "latched off", "ramp", "boost", "held"])
LOADS = [("off", 0.0), ("cc", 1.0), ("cc", 8.0), ("cv", 24.0), ("cv", 27.27), ("cr", 20.0), ("cp", 80.0)]
LEADS = Leads(0.02, 0.015, 0.005)


def ups_in(state: str, watts: float, ohms: float) -> Ups:
    charger = ChargerSpec(boost_v=28.4, ohms=ohms)
    ups = Ups(UpsSpec(charger=charger), mains_on=state in ("mains", "ramp", "boost"), ac_load_w=watts)
    if state in ("ramp", "boost"):
        ups.charger.start(0.0, boost=state == "boost")
        figures = [26.0] * 21
        ups.charger.poll(figures, 2.0)
        assert ups.charger.gives
    elif state == "held":
        ups.input.held_volts = 24.0
    elif state != "mains":
        ups.state = state
    return ups


@given(
    state=STATES,
    ac_w=st.floats(0.0, 300.0),
    ohms=st.sampled_from([0.0, 0.05, 1.0]),
    t_s=st.floats(2.0, 8.0),
    volts=st.floats(0.0, 32.0),
    amps=st.floats(0.0, 25.0),
    supply_on=st.booleans(),
    supply_sensed=st.booleans(),
    load=st.sampled_from(LOADS),
    z=st.sampled_from([None, 0.02, 0.5, 1.0]),
)  # fmt: skip
def test_currents_add_up_to_nothing_and_the_formula_agrees_with_the_walk(
    state: str,
    ac_w: float,
    ohms: float,
    t_s: float,
    volts: float,
    amps: float,
    supply_on: bool,
    supply_sensed: bool,
    load: tuple[str, float],
    z: float | None,
) -> None:
    pack = None if z is None else Pack(cell=CellSpec(), cells=(CellStart(z0=z),) * 8)
    supply = SupplyPort(volts_set=volts, amps_set=amps, output_on=supply_on, remote_sense=supply_sensed)
    function, figure = load
    key = {"off": "amps_set", "cc": "amps_set", "cv": "volts_set", "cr": "ohms_set", "cp": "watts_set"}[function]
    more: dict[str, Any] = {key: figure, "input_on": function != "off"}
    port = LoadPort(function="cc" if function == "off" else function, **more)
    for device in (supply, port):
        device.start_ramp(0.0)
    ups = ups_in(state, ac_w, ohms)
    solved = solve_bench(pack, supply, port, LEADS, ups, t_s)
    branch = solved.branch
    sense = sense_of(branch, LEADS.r_pack)
    terminal = sense.alpha * solved.volts + sense.beta
    currents = {name: amps_into_node(p, solved.volts, terminal) for name, p in solved.pieces.items()}
    from_pack = 0.0 if pack is None else (branch.emf - solved.volts) / (branch.ohms + LEADS.r_pack)
    steep = max(p.siemens + p.sense_siemens for p in solved.pieces.values())
    # A regulator of 1 uohm turns the last digit of the volts into nanoamperes; it alone may.
    assert abs(from_pack + math.fsum(currents.values())) < max(1e-9, steep * 40.0 * 5e-16)
    emf, inside = (0.0, math.inf) if pack is None else (pack.emf, pack.ohms)
    flows = solved.law.flows(emf, inside)
    assert flows.node_volts == pytest.approx(solved.volts, abs=1e-9)
    assert flows.pack_amps + flows.supply_amps - flows.load_amps - flows.ups_amps == pytest.approx(0.0, abs=1e-9)
    elements = tuple(elements_of(pack, supply, port, LEADS, branch, ups, t_s).values())
    found = [solve(branch, r_pack=LEADS.r_pack, elements=order) for order in itertools.permutations(elements)]
    assert all(f is not None and f[0] == pytest.approx(solved.volts, abs=1e-9) for f in found)


@pytest.mark.parametrize("watts", [0.0, 5.0, 20.0])
def test_the_formula_follows_the_ramp_as_solving_anew_does(watts: float) -> None:
    """A charger's soft start between a supply and a load at constant power, half a second on."""
    supply = SupplyPort(volts_set=25.0, amps_set=5.0, output_on=True)
    load = LoadPort(function="cp", watts_set=watts, input_on=True)
    for device in (supply, load):
        device.start_ramp(0.0)
    ups = ups_in("ramp", 120.0, 0.05)
    leads = Leads(0.5, 0.1, 0.0)
    early = solve_bench(None, supply, load, leads, ups, 2.01)
    late = solve_bench(None, supply, load, leads, ups, 2.06)
    assert early.branch is NO_PACK
    assert [p.name for p in early.pieces.values()] == [p.name for p in late.pieces.values()]
    assert early.law.flows(0.0, math.inf, 0.05) == pytest.approx(late.law.flows(0.0, math.inf), abs=1e-12)
    assert late.volts > early.volts + 0.001
