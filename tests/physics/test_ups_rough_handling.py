"""Mains power, volts, load and button in any order: the UPS keeps to its table, and the books stay balanced."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import ChargerSpec, Ups, UpsSpec
from sims.world import Leads, World

DARK = {"off", "latched off", "cut off, waits for volts", "overload off"}
RUNNING = {"battery", "battery low", "self-test"}
ON_MAINS = {"mains", "mains, no battery"}

LEADS_TO = {
    "off": {"mains", "battery"},
    "mains": {"transfer", "mains, no battery", "self-test"},
    "mains, no battery": {"off", "mains"},
    "transfer": {"battery", "off"},
    "battery": {"battery low", "latched off", "cut off, waits for volts", "overload off", "mains", "off"},
    "battery low": {"battery", "latched off", "cut off, waits for volts", "overload off", "mains", "off"},
    "self-test": {"mains", "battery", "latched off"},
    "latched off": {"mains", "battery"},
    "cut off, waits for volts": {"mains", "battery"},
    "overload off": {"off"},
}


class Watched(Ups):
    """A UPS that writes down how it went from state to state."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.went: list[tuple[str, str, bool, bool]] = []

    def _enter(self, state: str, t_s: float, *, reason: str = "") -> None:
        self.went.append((self.state, state, self.mains_on, self.pressed))
        super()._enter(state, t_s, reason=reason)


ACTIONS = st.one_of(
    st.tuples(st.just("mains"), st.booleans()),
    st.tuples(st.just("press"), st.just(None)),
    st.tuples(st.just("volts"), st.sampled_from([0.0, 11.0, 17.5, 20.5, 22.0, 24.8, 26.0, 29.0])),
    st.tuples(st.just("amps"), st.sampled_from([0.5, 4.0, 30.0])),
    st.tuples(st.just("sink"), st.sampled_from([0.0, 0.5, 15.0])),
    st.tuples(st.just("ac"), st.sampled_from([0.0, 10.0, 120.0, 340.0, 600.0])),
    st.tuples(st.just("cv"), st.sampled_from([0.0, 14.0, 26.0, 27.27])),
    st.tuples(st.just("cc"), st.sampled_from([0.3, 2.0])),
    st.tuples(st.just("cp"), st.sampled_from([5.0, 60.0])),
    st.tuples(st.just("wait"), st.sampled_from([10.0, 40.0])),
    st.tuples(st.just("wait"), st.sampled_from([10.0, 40.0])),
)

HOOKS = st.tuples(st.just("hook"), st.sampled_from(["pack", "ups", "both", "none"]))

SPECS = st.fixed_dictionaries(
    {
        "latches": st.booleans(),
        "cold_start": st.booleans(),
        "above_high": st.sampled_from(["nothing", "abnormal", "fault", "refuses"]),
        "c_in_f": st.sampled_from([0.0, 2.2e-3]),
        "light_load_w": st.sampled_from([0.0, 20.0]),
    }
)


def bench(spec: dict[str, Any], with_pack: bool) -> World:
    charger = ChargerSpec(boost_v=28.4, pre_v=20.0, look_every_s=15.0, taper_s=5.0)
    ups = Watched(UpsSpec(charger=charger, high_v=27.8, **spec), mains_on=True, ac_load_w=120.0)
    pack = None
    if with_pack:
        cells = tuple(CellStart(z0=z) for z in (0.03, 0.04, 0.03, 0.05, 0.03, 0.03, 0.04, 0.03))
        pack = Pack(cell=CellSpec(), cells=cells, bms=BmsSpec(sleep_delay_s=20.0), r_terminals=math.inf)
    return World(
        pack=pack, supply=SupplyPort(amps_set=30.0, amps_max=30.0), load=LoadPort(), ups=ups,
        leads=Leads(0.025, 0.02, 0.01),
    )  # fmt: skip


def act(world: World, what: str, figure: Any, *, pieces: int) -> None:
    ups, supply, load = world.ups, world.supply, world.load
    assert ups is not None
    assert supply is not None
    assert load is not None
    if what == "mains":
        ups.mains_on = figure
    elif what == "press":
        ups.press()
    elif what == "hook":
        world.hook_up(figure)
    elif what == "volts":
        supply.volts_set, supply.output_on = figure, figure > 0.0
    elif what == "amps":
        supply.amps_set = figure
    elif what == "sink":
        supply.sink_amps = figure
    elif what == "ac":
        ups.ac_load_w = figure
    elif what == "wait":
        start_s = world.t
        for k in range(pieces):
            world.advance_to(start_s + figure * (k + 1) / pieces)
            assert_sound(world)
    else:
        load.function, load.input_on = what, figure > 0.0
        setattr(load, {"cv": "volts_set", "cc": "amps_set", "cp": "watts_set"}[what], figure)
    world.changed()


def assert_sound(world: World) -> None:
    ups = world.ups
    assert isinstance(ups, Watched)
    assert ups.ac_out == (ups.state in RUNNING | ON_MAINS)
    assert ups.warning == (ups.state == "battery low")
    assert not (ups.state in ON_MAINS and not ups.mains_on)
    assert (ups.off_reason != "") <= (ups.state in DARK)
    for came_from, to, mains_on, pressed in ups.went:
        assert to in LEADS_TO[came_from]
        if to in ON_MAINS:
            assert mains_on
        if came_from == "latched off":
            assert mains_on if to == "mains" else pressed
    ups.went.clear()
    left = world.pack_amps + world.supply_amps - world.load_amps - world.ups_amps
    assert abs(left) < 1e-9 * max(1.0, abs(world.ups_amps))
    assert all(math.isfinite(world.volts_at(place)) for place in ("pack", "node", "ups", "supply", "load"))


def assert_balanced(world: World) -> None:
    """Charge and energy of the sources are those of the sinks and leads, at the ports' terminals."""
    t = world.totals
    turned_over = abs(t.supply_j) + abs(t.pack_j) + abs(t.load_j) + abs(t.ups_j)
    assert t.supply_c + t.pack_c == pytest.approx(t.load_c + t.ups_c, rel=1e-6, abs=1e-3)
    assert t.supply_j + t.pack_j == pytest.approx(t.load_j + t.ups_j + t.leads_j, abs=1e-6 * turned_over + 1e-3)


def handle(spec: dict[str, Any], actions: list[tuple[str, Any]], *, with_pack: bool) -> None:
    """The same handling in one piece and in ten."""
    worlds = [bench(spec, with_pack) for _ in range(2)]
    for what, figure in actions:
        for world, pieces in zip(worlds, (1, 10), strict=True):
            act(world, what, figure, pieces=pieces)
            assert_sound(world)
    one, ten = worlds
    assert_balanced(one)
    assert_balanced(ten)
    # What is left aside is heard of a little later in longer steps.
    told, told_too = (sorted((e.what, e.t_s) for e in world.events) for world in worlds)
    assert [what for what, _ in told] == [what for what, _ in told_too]
    assert [t for _, t in told] == pytest.approx([t for _, t in told_too], abs=0.010)
    if not with_pack:
        assert one.totals.ups_c == pytest.approx(ten.totals.ups_c, rel=1e-6, abs=1e-6)
        assert one.volts_at("ups") == pytest.approx(ten.volts_at("ups"), abs=1e-6)


@settings(max_examples=settings().max_examples // 3)
@given(spec=SPECS, actions=st.lists(ACTIONS, min_size=3, max_size=14))
def test_on_a_supply_and_a_load(spec: dict[str, Any], actions: list[tuple[str, Any]]) -> None:
    handle(spec, actions, with_pack=False)


@settings(max_examples=settings().max_examples // 6)
@given(spec=SPECS, actions=st.lists(st.one_of(ACTIONS, ACTIONS, HOOKS), min_size=3, max_size=10))
def test_on_a_nearly_empty_pack(spec: dict[str, Any], actions: list[tuple[str, Any]]) -> None:
    handle(spec, actions, with_pack=True)
