"""Pack and UPS hooked up to the bench and taken off again: what is left aside lives on by itself."""

from __future__ import annotations

import math

import pytest

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart
from sims.load import LoadPort
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import Ups, UpsSpec
from sims.world import Leads, World


def pack(z0: float = 0.5, bms: BmsSpec | None = None) -> Pack:
    cell = CellSpec(self_discharge_per_s=1e-8, heat_j_per_k=50.0)
    return Pack(cell=cell, cells=(CellStart(z0=z0),) * 8, bms=bms)


def world(*, z0: float = 0.5, mains_on: bool = False, bms: BmsSpec | None = None) -> World:
    return World(
        pack=pack(z0, bms), supply=SupplyPort(r_bleed=math.inf), load=LoadPort(), leads=Leads(0.02, 0.02, 0.015),
        ups=Ups(UpsSpec(), mains_on=mains_on, ac_load_w=120.0),
    )  # fmt: skip


def test_what_is_given_is_hooked_up() -> None:
    assert world().hooked == "both"
    assert World(pack=pack()).hooked == "pack"
    assert World(pack=None, ups=Ups(UpsSpec())).hooked == "ups"
    assert World(pack=None).hooked == "none"


def test_what_is_not_there_cannot_be_hooked_up() -> None:
    alone = World(pack=pack())
    with pytest.raises(ValueError, match="no UPS here to hook up for 'both'"):
        alone.hook_up("both")
    with pytest.raises(ValueError, match="no pack here to hook up for 'pack'"):
        World(pack=None, ups=Ups(UpsSpec())).hook_up("pack")
    with pytest.raises(ValueError, match="choose one of pack, ups, both, none"):
        alone.hook_up("load")
    with pytest.raises(LookupError, match="has no pack"):
        _ = World(pack=None).pack
    with pytest.raises(ValueError, match="no volts at 'ups'"):
        alone.volts_at("ups")


def test_a_pack_left_aside_rests_as_it_would_on_an_idle_bench() -> None:
    """Relaxation, cooling and self-discharge, the same to a nanovolt in longer steps."""
    aside, idle = world(), World(pack=pack(), leads=Leads(0.0, 0.0, 0.0))
    aside.hook_up("pack")
    load = LoadPort(amps_set=10.0, input_on=True)
    idle_bench = World(pack=pack(), load=load, leads=Leads(0.0, 0.02, 0.015))
    assert aside.load is not None
    aside.load.amps_set, aside.load.input_on = 10.0, True
    aside.changed()
    for bench in (aside, idle_bench):
        bench.advance_to(300.0)
    load.input_on = aside.load.input_on = False
    aside.changed()
    idle_bench.changed()
    aside.hook_up("ups")
    for bench in (aside, idle_bench):
        bench.advance_to(4000.0)
    assert aside.pack_amps == 0.0
    assert aside.pack.emf == pytest.approx(idle_bench.pack.emf, abs=1e-7)
    assert aside.temp_c("pack") == pytest.approx(idle_bench.temp_c("pack"), abs=0.002)
    assert aside.pack.z == pytest.approx(idle_bench.pack.z, abs=1e-12)
    assert aside.pack.emf != pytest.approx(idle.pack.emf, abs=0.01)


def test_the_bms_of_a_pack_left_aside_releases_in_time() -> None:
    """Opened by 25 A for 8 s; with nothing on it its terminals are free and it closes again at once."""
    bench = world(bms=BmsSpec())
    bench.hook_up("pack")
    assert bench.load is not None
    bench.load.amps_set, bench.load.input_on, bench.load.amps_max = 25.0, True, 50.0
    bench.changed()
    bench.advance_to(9.0)
    assert not bench.pack.closed
    bench.hook_up("none")
    bench.advance_to(20.0)
    assert bench.pack.closed
    assert [e.what for e in bench.events if e.what.startswith("bms")] == [
        "bms: discharge over-current, discharge path opened", "bms: discharge over-current, released",
    ]  # fmt: skip


def test_a_running_ups_taken_off_stops_and_one_on_mains_sees_no_battery() -> None:
    bench = world(mains_on=True)
    bench.advance_to(5.0)
    ups = bench.ups
    assert ups is not None
    ups.mains_on = False
    bench.changed()
    bench.advance_to(10.0)
    assert ups.state == "battery"
    bench.hook_up("pack")
    assert (ups.state, ups.off_reason) == ("latched off", "input under-voltage")
    assert bench.volts_at("ups") == pytest.approx(0.0)
    assert bench.volts_at("pack") > 26.0
    ups.mains_on = True
    bench.changed()
    bench.advance_to(20.0)
    assert ups.state == "mains, no battery"
    bench.hook_up("both")
    bench.advance_to(40.0)
    assert ups.state == "mains"
    assert bench.ups_amps == pytest.approx(-1.2)
    assert [e.what for e in bench.events if "battery" in e.what] == [
        "ups: on battery", "ups: no battery seen", "ups: battery seen",
    ]  # fmt: skip


def test_a_supply_stands_in_for_the_battery_and_the_pack_waits() -> None:
    bench = world(mains_on=True)
    bench.advance_to(1.0)
    bench.hook_up("ups")
    supply, ups = bench.supply, bench.ups
    assert supply is not None
    assert ups is not None
    supply.volts_set, supply.amps_set, supply.output_on = 25.0, 10.0, True
    bench.changed()
    z = list(bench.pack.z)
    assert supply.mode == "driven"
    ups.mains_on = False
    bench.changed()
    bench.advance_to(60.0)
    assert supply.mode == "cv"
    assert bench.supply_amps == pytest.approx(bench.ups_amps)
    assert bench.volts_at("pack") == bench.volts_at("ups") == bench.volts_at("node")
    assert bench.pack.z == pytest.approx(z, abs=1e-6)


def test_a_copy_takes_what_is_aside_along() -> None:
    bench = world(mains_on=True)
    bench.hook_up("pack")
    other = bench.copy()
    assert other.ups is not None
    other.ups.mains_on = False
    other.changed()
    other.advance_to(10.0)
    assert bench.ups is not None
    assert (bench.ups.state, other.ups.state) == ("mains", "latched off")
    other.hook_up("both")
    assert bench.hooked == "pack"


def test_the_room_reaches_a_charger_that_is_left_aside() -> None:
    """With no battery it still stands at its own volts, which follow the room."""
    bench = world(mains_on=True)
    bench.hook_up("pack")
    bench.ambient_c = 35.0
    bench.changed()
    bench.advance_to(1.0)
    assert bench.ups is not None
    assert bench.ups.room_c == 35.0
