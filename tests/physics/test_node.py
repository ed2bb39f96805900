"""The shared node: closed forms of supply, lead and load, and of constant power.

Outside values computed independently (closed forms in the docstrings, checked there by quadrature and a solver).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.circuit import Branch, Element, Piece, Sense, amps_into_node, sense_of, solve
from sims.load import LoadPort
from sims.node import elements_of, solve_bench
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.world import Leads, World

Make = Callable[..., World]

NO_PACK = Branch("none", emf=0.0, ohms=math.inf)


def _supply(volts: float, amps: float) -> SupplyPort:
    port = SupplyPort(volts_set=volts, amps_set=amps, output_on=True, r_source=0.0, i_bleed=0.0)
    port.start_ramp(0.0)
    return port


def _load(function: str, figure: float, **more: float) -> LoadPort:
    key = {"cc": "amps_set", "cr": "ohms_set", "cp": "watts_set", "cv": "volts_set"}[function]
    port = LoadPort(function=function, input_on=True, amps_max=1000.0, r_min=1e-6, **{key: figure}, **more)  # type: ignore[arg-type]
    port.start_ramp(0.0)
    return port


def _node(supply: SupplyPort, load: LoadPort, r_lead: float) -> tuple[float, float, str]:
    """Volts at the load, amps in it, and the supply's mode, with the lead between the two and no pack."""
    elements: list[Element] = [supply.pieces(r_lead, Sense()), load.pieces(0.0, Sense())]
    solution = solve(NO_PACK, r_pack=0.0, elements=elements)
    assert solution is not None
    volts, (supply_piece, load_piece) = solution
    amps = -amps_into_node(load_piece, volts, volts)
    return volts, amps, supply_piece.name


@pytest.mark.parametrize(
    ("volts", "limit", "r_lead", "function", "figure", "mode", "load_volts", "amps"),
    [
        (12.0, 5, 0.05, "cc", 3, "cv", 11.85, 3.0),
        (12.0, 5, 0.05, "cr", 4, "cv", 11.8518518519, 2.9629629630),
        (12.0, 5, 0.05, "cr", 2, "cc", 10.0, 5.0),
        (12.0, 10, 0.05, "cp", 60, "cv", 11.7445626465, 5.1087470692),
        (12.0, 100, 0.5, "cp", 60, "cv", 8.4494897428, 7.1010205144),
        (10.5, 10, 0.1, "cp", 60, "cv", 9.8935439053, 6.0645609475),
        (13.2, 10, 0.02394, "cc", 6, "cv", 13.05636, 6.0),
    ],
)
def test_supply_lead_load(
    volts: float, limit: float, r_lead: float, function: str, figure: float, mode: str, load_volts: float, amps: float
) -> None:
    """CC: V = Vs - I R. CR: I = Vs / (R + RL) or the limit. CP: V = (Vs + sqrt(Vs^2 - 4 R P)) / 2."""
    found = _node(_supply(volts, limit), _load(function, figure), r_lead)
    assert found == (pytest.approx(load_volts, abs=2e-9), pytest.approx(amps, abs=2e-9), mode)


@pytest.mark.parametrize(
    ("volts", "limit", "r_lead", "function", "figure"),
    [(12.0, 5, 0.05, "cc", 6), (12.0, 5, 0.05, "cp", 60), (12.0, 100, 0.5, "cp", 73)],
)
def test_a_load_that_asks_too_much_collapses_to_its_knee(
    volts: float, limit: float, r_lead: float, function: str, figure: float
) -> None:
    """More than the supply's limit, or more power than Vs^2 / (4 R) = 72 W: there is no working point."""
    load_volts, amps, mode = _node(_supply(volts, limit), _load(function, figure), r_lead)
    assert load_volts < 0.01
    assert amps == pytest.approx(min(limit, volts / r_lead), rel=1e-4)
    assert mode == ("cc" if limit * r_lead < volts else "cv")


def test_power_at_the_very_limit_is_still_a_working_point() -> None:
    """12 V, 0.5 ohm: 72 W at 6 V and 12 A is the fold; a hair below it there are two points, the upper counts."""
    load_volts, amps, _ = _node(_supply(12.0, 100.0), _load("cp", 72.0 * (1.0 - 1e-9)), 0.5)
    assert load_volts == pytest.approx(6.0, abs=2e-4)
    assert load_volts > 6.0
    assert amps == pytest.approx(12.0, abs=4e-4)


def test_supply_and_pack_share_a_constant_power() -> None:
    """13 V behind 0.05 ohm and 12.6 V behind 0.08 ohm feed 120 W: G V^2 - J V + P = 0, the larger root."""
    battery = Branch("pack", emf=12.6, ohms=0.08)
    elements: list[Element] = [_supply(13.0, 100.0).pieces(0.05, Sense()), _load("cp", 120.0).pieces(0.0, Sense())]
    solution = solve(battery, r_pack=0.0, elements=elements)
    assert solution is not None
    volts, (supply, _) = solution
    assert volts == pytest.approx(12.5519927707, abs=1e-9)
    assert amps_into_node(supply, volts, volts) == pytest.approx(8.9601445857, abs=1e-8)
    assert (12.6 - volts) / 0.08 == pytest.approx(0.6000903660, abs=1e-8)


def test_supply_at_its_limit_shares_with_the_pack() -> None:
    """As above with the supply at 3 A: pack 6.9644218207 A, 12.0428462543 V, supply terminals 12.1928462543 V."""
    battery = Branch("pack", emf=12.6, ohms=0.08)
    elements: list[Element] = [_supply(13.0, 3.0).pieces(0.05, Sense()), _load("cp", 120.0).pieces(0.0, Sense())]
    solution = solve(battery, r_pack=0.0, elements=elements)
    assert solution is not None
    volts, (supply, _) = solution
    assert supply.name == "cc"
    assert volts == pytest.approx(12.0428462543, abs=1e-9)
    assert (12.6 - volts) / 0.08 == pytest.approx(6.9644218207, abs=1e-9)
    assert volts + 3.0 * 0.05 == pytest.approx(12.1928462543, abs=1e-9)


def test_the_order_of_elements_does_not_matter() -> None:
    battery = Branch("pack", emf=26.4, ohms=0.04)
    elements: list[Element] = [
        _supply(26.5, 3.0).pieces(0.02, Sense()), _load("cp", 120.0).pieces(0.02, Sense()),
        _load("cr", 30.0).pieces(0.01, Sense()), (Piece("leak", siemens=1e-4),),
    ]  # fmt: skip
    found = set()
    for order in itertools.permutations(elements):
        solution = solve(battery, r_pack=0.003, elements=order)
        assert solution is not None
        found.add(round(solution[0], 12))
    assert len(found) == 1


HELD_OPEN = {"no charge": "charge", "no discharge": "discharge"}


def _hold_open(pack: Pack, path: str) -> None:
    """Trip the first rule that opens ``path``, at time 0."""
    assert pack.bms is not None
    k = next(k for k, rule in enumerate(pack.bms.rules) if rule.opens == path)
    pack.bms._tripped_s[k] = 0.0
    assert (pack.bms.charge_on, pack.bms.discharge_on) == (path != "charge", path != "discharge")


FUNCTIONS = st.sampled_from(
    [("cc", 0.1, 30.0), ("cv", 0.0, 30.0), ("cr", 0.5, 100.0), ("cp", 1.0, 400.0)]
).flatmap(lambda f: st.tuples(st.just(f[0]), st.floats(f[1], f[2])))  # fmt: skip


@example(("cc", 13.0), True, False, True, False, 12.0, 1.0, 0.0, "no discharge", 150.0)
@given(
    function=FUNCTIONS,
    load_on=st.booleans(),
    load_sensed=st.booleans(),
    supply_on=st.booleans(),
    supply_sensed=st.booleans(),
    volts=st.floats(0.0, 40.0),
    amps=st.floats(0.0, 15.0),
    r_pack=st.sampled_from([0.0, 0.005]),
    wiring=st.sampled_from(["right", "reversed", "asleep", "no charge", "no discharge"]),
    watts_max=st.sampled_from([math.inf, 150.0]),
)
def test_currents_add_up_to_nothing_and_the_formula_agrees_with_the_walk(
    function: tuple[str, float],
    load_on: bool,
    load_sensed: bool,
    supply_on: bool,
    supply_sensed: bool,
    volts: float,
    amps: float,
    r_pack: float,
    wiring: str,
    watts_max: float,
) -> None:
    reversed_, bms = wiring == "reversed", BmsSpec()
    asleep = wiring == "asleep"
    pack = Pack(cell=CellSpec(), cells=(CellStart(z0=0.6),) * 8, bms=bms, reversed_=reversed_, asleep=asleep)
    if wiring in HELD_OPEN:
        _hold_open(pack, HELD_OPEN[wiring])
    supply = SupplyPort(volts_set=volts, amps_set=amps, output_on=supply_on, remote_sense=supply_sensed)
    load = _load(*function, watts_max=watts_max)
    load.input_on, load.remote_sense, load.r_min, load.amps_max = load_on, load_sensed, 0.05, 30.0
    for port in (supply, load):
        port.start_ramp(0.0)
    leads = Leads(0.02, 0.02, r_pack)
    solved = solve_bench(pack, supply, load, leads)
    sense = sense_of(solved.branch, r_pack)
    terminal = sense.alpha * solved.volts + sense.beta
    currents = {name: amps_into_node(p, solved.volts, terminal) for name, p in solved.pieces.items()}
    from_pack = (solved.branch.emf - solved.volts) / (solved.branch.ohms + r_pack)
    steep = max(p.siemens + p.sense_siemens for p in solved.pieces.values())
    # A regulator of 1 uohm turns the last digit of the volts into nanoamperes; it alone may.
    assert abs(from_pack + math.fsum(currents.values())) < max(1e-9, steep * 40.0 * 5e-16)
    flows = solved.law.flows(pack.emf, pack.ohms)
    assert flows.node_volts == pytest.approx(solved.volts, abs=1e-9)
    terminals = solved.volts / pack.r_terminals if "terminals" in solved.pieces else 0.0
    assert flows.pack_amps + flows.supply_amps - flows.load_amps == pytest.approx(terminals, abs=1e-9)
    assert elements_of(pack, supply, load, leads, solved.branch).keys() == solved.pieces.keys()


@pytest.mark.parametrize("r_pack", [0.0, 0.01])
def test_remote_sense_holds_the_packs_terminals(eight: Make, source: Callable[..., None], r_pack: float) -> None:
    world = eight(leads=Leads(0.05, 0.02, r_pack), lower_z_by=0.5)
    assert world.supply is not None
    world.supply.remote_sense = True
    source(world, volts=26.6, amps=20.0)
    assert world.supply.mode == "cv"
    assert world.volts_at("pack") == pytest.approx(26.6, abs=1e-4)
    assert world.volts_at("supply_sense") == world.volts_at("pack")
    drop = world.supply_amps * (0.05 + r_pack)
    assert world.volts_at("supply") - world.volts_at("pack") == pytest.approx(drop, abs=1e-9)


def test_beyond_its_largest_lead_drop_remote_sense_no_longer_regulates(
    eight: Make, source: Callable[..., None]
) -> None:  # fmt: skip
    world = eight(leads=Leads(0.5, 0.02, 0.0), lower_z_by=0.5)
    assert world.supply is not None
    world.supply.remote_sense, world.supply.sense_volts_max = True, 1.0
    source(world, volts=26.6, amps=20.0)
    assert world.supply.mode == "unregulated"
    assert world.volts_at("supply") == pytest.approx(27.6, abs=1e-9)
    assert world.volts_at("supply_sense") < 26.6


def test_a_source_above_the_set_volts_drives_the_supply(eight: Make, source: Callable[..., None]) -> None:
    world = eight()
    source(world, volts=20.0, amps=5.0)
    assert world.supply is not None
    assert world.supply.mode == "driven"
    assert world.supply_amps == -world.supply.i_bleed
    assert world.pack_amps == pytest.approx(world.supply.i_bleed)


def test_an_idle_supply_drains_the_pack_through_its_bleed_resistor(eight: Make) -> None:
    world = eight()
    assert world.supply is not None
    assert world.supply.mode == "off"
    assert world.pack_amps == pytest.approx(world.volts_at("pack") / world.supply.r_bleed, rel=1e-4)
