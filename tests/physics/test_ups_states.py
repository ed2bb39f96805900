"""Every row of the UPS's table: from each state, what leads where, after how long, what it draws and shows there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest

from sims.load import LoadPort
from sims.supply import SupplyPort
from sims.ups import STATES, ChargerSpec, Ups, UpsSpec
from sims.ups_table import TABLE, Row
from sims.world import Leads, World

VOLTS, LOW_V, FLAT_V, WATTS = 26.0, 22.0, 20.0, 120.0


def bench(spec: dict[str, Any], *, mains_on: bool = False) -> World:
    """A supply of 26 V and 30 A in place of the battery of a UPS, 120 W on its output."""
    charger = ChargerSpec(**spec.pop("charger", {}))
    supply = SupplyPort(volts_set=VOLTS, amps_set=30.0, output_on=True, r_bleed=math.inf, amps_max=30.0)
    ups = Ups(UpsSpec(charger=charger, **spec), mains_on=mains_on, ac_load_w=WATTS)
    return World(pack=None, supply=supply, ups=ups, leads=Leads(0.025, 0.0, 0.0))


def do(world: World, *orders: str) -> World:
    """ "mains on", "mains off", "press", "volts V", "amps A", "load W", "wait S", one after the other."""
    ups, supply = world.ups, world.supply
    assert ups is not None
    assert supply is not None
    for order in orders:
        what, _, figure = order.partition(" ")
        if what == "mains":
            ups.mains_on = figure == "on"
        elif what == "press":
            ups.press()
        elif what == "volts":
            supply.volts_set, supply.output_on = float(figure), float(figure) > 0.0
        elif what == "amps":
            supply.amps_set = float(figure)
        elif what == "load":
            ups.ac_load_w = float(figure)
        else:
            world.advance_to(world.t + float(figure))
        world.changed()
    return world


WAYS: dict[str, tuple[bool, tuple[str, ...]]] = {
    "off": (False, ("wait 1",)),
    "mains": (True, ("wait 1",)),
    "mains, no battery": (False, ("volts 0", "mains on", "wait 5")),
    "transfer": (True, ("wait 1", "mains off")),
    "battery": (True, ("wait 1", "mains off", "wait 1")),
    "battery low": (True, ("wait 1", "mains off", f"volts {LOW_V}", "wait 1")),
    "self-test": (True, ("wait 1", "press")),
    "latched off": (True, ("wait 1", "mains off", f"volts {FLAT_V}", "wait 2")),
    "cut off, waits for volts": (True, ("wait 1", "mains off", f"volts {FLAT_V}", "wait 2")),
    "overload off": (True, ("wait 1", "mains off", "wait 1", "load 460", "wait 0.1")),
}
"""How each state is reached: whether mains power has been there for long, and what is done then."""


def arrive(state: str, **spec: Any) -> World:
    mains_on, orders = WAYS[state]
    if state == "cut off, waits for volts":
        spec["latches"] = False
    world = do(bench(spec, mains_on=mains_on), *orders)
    assert world.ups is not None
    assert world.ups.state == state
    return world


Spec = dict[str, Any]
COLD: Spec = {"cold_start": False}
FAULT: Spec = {"high_v": 27.6, "above_high": "fault"}
MUTE: Spec = {"warns": False}
WAITS: Spec = {"warns": False, "latches": False}
HIGH: Spec = {"high_v": 25.0, "above_high": "refuses"}

ROWS: list[tuple[str, Spec, tuple[str, ...], str, str]] = [
    # state, other than usual, what is done, next state, words
    ("off", {}, ("mains on", "wait 2.999"), "off", ""),
    ("off", {}, ("mains on", "wait 3.001"), "mains", "ups: on mains"),
    ("off", {}, ("mains on", "wait 2", "mains off", "wait 0.1", "mains on", "wait 2"), "off", ""),
    ("off", {}, ("press",), "battery", "ups: on battery"),
    ("off", COLD, ("press",), "off", "ups: three beeps, does not start"),
    ("off", {}, ("volts 22.9", "wait 2", "press"), "off", "ups: three beeps, does not start"),
    ("off", HIGH, ("press",), "off", "ups: three beeps, does not start"),
    ("off", {}, ("volts 28", "wait 5"), "off", ""),
    ("mains", {}, ("mains off",), "transfer", "ups: mains lost"),
    ("mains", {}, ("press",), "self-test", "ups: self-test begins"),
    ("mains", HIGH, ("press",), "mains", ""),
    ("mains", {}, ("volts 0", "wait 5"), "mains", ""),  # its own volts hide it
    ("mains", {"charger": {"look_every_s": 2.0}}, ("volts 0", "wait 5"), "mains, no battery", "ups: no battery seen"),
    ("mains", {}, ("volts 11", "wait 5"), "mains", ""),  # likewise: a supply takes nearly nothing in
    ("mains, no battery", {}, ("mains off",), "off", "ups: off, no battery"),
    ("mains, no battery", {}, (f"volts {VOLTS}", "wait 2.1"), "mains", "ups: battery seen"),
    ("mains, no battery", {}, ("volts 11.9", "wait 4.1"), "mains, no battery", ""),
    ("mains, no battery", {}, ("press",), "mains, no battery", "ups: three beeps, does not start"),
    ("transfer", {}, ("wait 0.0079",), "transfer", ""),
    ("transfer", {}, ("wait 0.0081",), "battery", "ups: on battery"),
    ("transfer", HIGH, ("wait 0.0081",), "off", "ups: off, input over-voltage"),
    ("battery", {}, (f"volts {LOW_V}", "wait 1"), "battery low", "ups: warning on"),
    ("battery", {"warns": False}, (f"volts {LOW_V}", "wait 1"), "battery", ""),
    ("battery", {"warn_hold_s": 3.0}, (f"volts {LOW_V}", "wait 2.9"), "battery", ""),
    ("battery", {}, (f"volts {FLAT_V}", "wait 1.1"), "latched off", "ups: off, cut-off"),
    ("battery", {"cutoff_hold_s": 3.0}, (f"volts {FLAT_V}", "wait 2.9"), "battery low", "ups: warning on"),
    ("battery", {"latches": False}, (f"volts {FLAT_V}", "wait 1.1"), "cut off, waits for volts", "ups: off, cut-off"),
    ("battery", MUTE, (f"volts {FLAT_V}", "wait 1.1"), "latched off", "ups: off, cut-off"),
    ("battery", WAITS, (f"volts {FLAT_V}", "wait 1.1"), "cut off, waits for volts", "ups: off, cut-off"),
    ("battery", {}, ("volts 17.9",), "latched off", "ups: off, input under-voltage"),
    ("battery", {"latches": False}, ("volts 17.9",), "latched off", "ups: off, input under-voltage"),
    ("battery", {}, ("amps 3",), "latched off", "ups: off, input under-voltage"),
    ("battery", {}, ("load 331", "wait 9.9"), "battery", ""),
    ("battery", {}, ("load 331", "wait 10.1"), "overload off", "ups: off, overload"),
    ("battery", {}, ("load 329", "wait 20"), "battery", ""),
    ("battery", {}, ("load 451",), "overload off", "ups: off, overload"),
    ("battery", {}, ("mains on", "wait 2.99"), "battery", ""),
    ("battery", {}, ("mains on", "wait 3.01"), "mains", "ups: on mains"),
    ("battery", {}, ("press", "wait 1"), "battery", ""),
    ("battery", {"light_load_w": 20.0}, ("load 10", "wait 61"), "off", "ups: off, light load"),
    ("battery", {"light_load_w": 20.0}, ("load 10", "wait 59"), "battery", ""),
    ("battery", FAULT, ("volts 28", "wait 1"), "latched off", "ups: output abnormal"),
    ("battery", {"high_v": 27.6, "above_high": "abnormal"}, ("volts 28", "wait 1"), "battery", "ups: output abnormal"),
    ("battery", {"high_v": 27.6, "above_high": "refuses"}, ("volts 28", "wait 1"), "battery", ""),
    ("battery", {"high_v": 27.6}, ("volts 28", "wait 1"), "battery", ""),
    ("battery low", {}, ("volts 24", "wait 1"), "battery", "ups: warning off"),
    ("battery low", {}, ("volts 23.3", "wait 5"), "battery low", ""),  # 0.15 V are left in the leads
    ("battery low", {}, (f"volts {FLAT_V}", "wait 1.1"), "latched off", "ups: off, cut-off"),
    ("battery low", {"latches": False}, (f"volts {FLAT_V}", "wait 1"), "cut off, waits for volts", "ups: off, cut-off"),
    ("battery low", {"light_load_w": 20.0}, ("load 10", "wait 61"), "off", "ups: off, light load"),
    ("battery low", {}, ("volts 17.9",), "latched off", "ups: off, input under-voltage"),
    ("battery low", FAULT | {"warn_release_v": 40.0}, ("volts 28", "wait 1"), "latched off", "ups: output abnormal"),
    ("battery low", {}, ("load 451",), "overload off", "ups: off, overload"),
    ("battery low", {}, ("mains on", "wait 3.01"), "mains", "ups: on mains"),
    ("self-test", {}, ("wait 5.99",), "self-test", ""),
    ("self-test", {}, ("wait 6.01",), "mains", "ups: self-test ends"),
    ("self-test", {}, (f"volts {FLAT_V}", "wait 1.1"), "mains", "ups: battery bad"),
    ("self-test", {}, ("mains off",), "battery", "ups: on battery"),
    ("self-test", {}, ("volts 17.9",), "latched off", "ups: off, input under-voltage"),
    ("self-test", FAULT, ("volts 28", "wait 1"), "latched off", "ups: off, input over-voltage"),
    ("self-test", {}, ("load 451", "wait 1"), "self-test", ""),
    ("latched off", {}, ("volts 28", "wait 60"), "latched off", ""),
    ("latched off", {}, ("mains on", "wait 2.99"), "latched off", ""),
    ("latched off", {}, ("mains on", "wait 3.01"), "mains", "ups: on mains"),
    ("latched off", {}, ("press",), "latched off", "ups: three beeps, does not start"),
    ("latched off", {}, ("volts 26", "wait 1", "press"), "battery", "ups: on battery"),
    ("latched off", COLD, ("volts 26", "wait 1", "press"), "latched off", "ups: three beeps, does not start"),
    ("cut off, waits for volts", {}, ("volts 24.4", "wait 60"), "cut off, waits for volts", ""),
    ("cut off, waits for volts", {}, ("volts 24.6", "wait 1"), "battery", "ups: on battery"),
    ("cut off, waits for volts", {}, ("mains on", "wait 3.01"), "mains", "ups: on mains"),
    ("cut off, waits for volts", {}, ("volts 24", "wait 1", "press"), "battery", "ups: on battery"),
    ("cut off, waits for volts", {}, ("press",), "cut off, waits for volts", "ups: three beeps, does not start"),
    ("overload off", {}, ("load 0", "wait 60"), "overload off", ""),
    ("overload off", {}, ("mains on", "wait 60"), "overload off", ""),
    ("overload off", {}, ("press",), "off", "ups: overload cleared"),
    ("overload off", {}, ("load 100", "press", "press"), "battery", "ups: on battery"),
    ("overload off", {}, ("mains on", "press", "wait 3.01"), "mains", "ups: on mains"),
]  # fmt: skip


@pytest.mark.parametrize(("state", "spec", "orders", "leads_to", "words"), ROWS)
def test_row(state: str, spec: Spec, orders: tuple[str, ...], leads_to: str, words: str) -> None:
    world = arrive(state, **dict(spec))
    before = len(world.events)
    do(world, *orders)
    ups = world.ups
    assert ups is not None
    told = [e.what for e in world.events[before:]]
    assert ups.state == leads_to
    assert words in told if words else not told
    assert_shows(world)


RUNNING = ("battery", "battery low", "self-test")


def assert_shows(world: World) -> None:
    """Output, lamps and current are those of the state."""
    ups, spec = world.ups, world.ups and world.ups.spec
    assert ups is not None
    assert spec is not None
    assert ups.ac_out == (ups.state in (*RUNNING, "mains", "mains, no battery"))
    assert ups.warning == (ups.state == "battery low")
    assert bool(ups.off_reason) == (ups.state in ("latched off", "cut off, waits for volts", "overload off")) or (
        ups.state == "off"
    )
    volts = world.volts_at("ups")
    if ups.state in RUNNING:
        assert world.ups_amps == pytest.approx(spec.dc_w(ups.ac_w) / volts, rel=1e-9)
    elif ups.state in ("mains", "mains, no battery"):
        assert world.ups_amps <= 1e-6
    elif volts > 1.0:
        assert world.ups_amps == pytest.approx(spec.off_amps)


def test_every_row_of_the_table_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each row of each state has been carried out at least once by the rows above."""
    assert set(STATES) == set(TABLE)
    carried_out: set[tuple[str, int]] = set()

    def noting(state: str, number: int, row: Row) -> Row:
        def happens(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
            now = row.happens(ups, figures, t_s)
            if now:
                carried_out.add((state, number))
            return now

        return row._replace(happens=happens)

    for state, rows in list(TABLE.items()):
        monkeypatch.setitem(TABLE, state, tuple(noting(state, n, row) for n, row in enumerate(rows)))
    for state, spec, orders, _, _ in ROWS:
        do(arrive(state, **dict(spec)), *orders)
    assert carried_out == {(state, n) for state, rows in TABLE.items() for n in range(len(rows))}


def test_a_bad_battery_is_told_until_a_good_test() -> None:
    world = do(arrive("self-test"), f"volts {FLAT_V}", "wait 1.1")
    ups = world.ups
    assert ups is not None
    assert ups.battery_bad
    do(world, f"volts {VOLTS}", "wait 10", "press", "wait 6.1")
    assert not ups.battery_bad


def test_the_cut_off_falls_with_the_load() -> None:
    for watts, cutoff_v in ((0.0, 21.0), (150.0, 20.5), (300.0, 20.0)):
        world = arrive("battery", cutoff_fall_v=1.0)
        ups = world.ups
        assert ups is not None
        in_leads_v = 0.03 * ups.spec.dc_w(watts) / cutoff_v
        do(world, f"load {watts}", f"volts {cutoff_v + in_leads_v + 0.02}", "wait 5")
        assert ups.state == "battery low"
        do(world, f"volts {cutoff_v + in_leads_v - 0.02}", "wait 5")
        assert (ups.state, ups.off_reason) == ("latched off", "cut-off")


def test_a_self_test_follows_the_return_of_mains_power_once() -> None:
    world = do(arrive("latched off"), f"volts {VOLTS}", "mains on", "wait 120")
    began = [e.t_s for e in world.events if e.what == "ups: self-test begins"]
    back_s = next(e.t_s for e in world.events if e.what == "ups: on mains")
    assert began == [pytest.approx(back_s + 30.0, abs=1e-9)]


def test_the_transfer_is_no_output_off_but_a_gap() -> None:
    world = do(arrive("transfer"))
    assert world.ups is not None
    assert not world.ups.ac_out
    do(world, "wait 1")
    assert not [e for e in world.events if e.what.startswith("ups: output")]


def test_an_abnormal_output_is_normal_again_lower_down() -> None:
    world = do(arrive("battery", high_v=27.6, above_high="abnormal"), "volts 28", "wait 1", "volts 26", "wait 1")
    told = [e.what for e in world.events if "normal" in e.what]
    assert told == ["ups: output abnormal", "ups: output normal"]
    assert world.ups is not None
    assert not world.ups.abnormal


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"efficiency": (0.5,)}, "need one efficiency for each"),
        ({"efficiency": (0.5, 0.6, 0.72, 0.8, 0.84, 0.87, 0.865, 1.2)}, "at most at 1"),
        ({"uvlo_v": 0.0}, "must be above 0 V"),
        ({"uvlo_v": math.nan}, "must be above 0 V"),
        ({"above_high": "explodes"}, "choose one of nothing, abnormal, fault, refuses"),
    ],
)
def test_a_spec_that_is_none_is_refused(changes: Spec, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        UpsSpec(**changes)


def test_one_that_refuses_starts_by_itself_once_the_volts_have_come_down() -> None:
    """Waiting at 28 V, above its 27.6 V: it starts when the filtered volts pass 27.6 V on their way to 27 V."""
    world = do(arrive("off", high_v=27.6, above_high="refuses"), "volts 28", "wait 10")
    assert world.ups is not None
    world.ups.state = "cut off, waits for volts"
    do(world, "wait 10")
    assert world.ups.state == "cut off, waits for volts"
    start_s = world.t
    do(world, "volts 27", "wait 5")
    assert world.ups.state == "battery"
    started_s = next(e.t_s for e in reversed(world.events) if e.what == "ups: on battery")
    # From 28 V toward 27 V with 0.1 s: 27.6 V after 0.1 ln(1 / 0.6) s; the leads drop a third of a millivolt.
    assert started_s - start_s == pytest.approx(0.1 * math.log(1.0 / 0.6), abs=1e-4)


def test_a_self_test_that_was_refused_begins_once_the_volts_have_come_down() -> None:
    """The charger itself holds the node above 27 V; a load at 26 V brings it down, long after the test was due."""
    charger = ChargerSpec()
    spec = UpsSpec(charger=charger, high_v=27.0, above_high="refuses")
    ups, load = Ups(spec, ac_load_w=WATTS), LoadPort(function="cv", volts_set=26.0)
    supply = SupplyPort(volts_set=25.0, amps_set=20.0, output_on=True)
    world = World(pack=None, supply=supply, load=load, ups=ups, leads=Leads(0.0, 0.0, 0.0))
    ups.mains_on = True
    world.changed()
    world.advance_to(60.0)
    assert ups.state == "mains"
    load.input_on = True
    world.changed()
    world.advance_to(61.0)
    assert ups.state == "self-test"
