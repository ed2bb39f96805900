"""Voltage-floor sweeps on a simulated bench on which something else than the floor ends the inverter's current.

Each such thing has an end of its own; none may be taken for the floor. What a person or a fault does is done to the
world behind the instruments, at a sample at which the UPS runs on the stand-in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sweeps import Swept, electric, on_battery_under, sweep

from sims.bench import SimBench
from sims.scenario import load_scenario


def no_floor(swept: Swept) -> None:
    assert "floor_v" not in swept.result.figures
    assert "floor_v" in swept.result.not_measured


def heavier(bench: SimBench) -> None:
    """Somebody plugs a lamp into the UPS's output."""
    bench.ups.ac_load_w = 190.0


def trip(bench: SimBench) -> None:
    """The supply's over-volts stop acts, for whatever reason of its own."""
    assert bench.world.supply is not None
    bench.world.supply.over_volts = 20.0


def knob(bench: SimBench) -> None:
    bench.connect("supply").feed(b"VOLT 20.000\n")


def mains(bench: SimBench) -> None:
    """Somebody pushes the plug of the UPS back into the wall, past the switch."""
    bench.ups.mains_on = True


NOT_THE_FLOOR: dict[str, tuple[Callable[[SimBench], None], str, int]] = {
    "supply's current limit": (heavier, "supply limit", 0),
    "supply's own stop": (trip, "supply trip", 0),
    "set-point changed from outside": (knob, "changed from outside", 21),
}


@pytest.mark.parametrize("what", NOT_THE_FLOOR)
def test_not_the_floor(what: str, tmp_path: Path) -> None:
    act, end, code = NOT_THE_FLOOR[what]
    swept = sweep(tmp_path, when=on_battery_under(24.0), act=act, sets=("amps_max=10.2",))
    assert (swept.end.partition(":")[0], swept.exit_code) == (end, code)
    if code == 0:
        no_floor(swept)
    assert swept.bench.world.supply is not None
    assert not swept.bench.world.supply.output_on


def test_a_collapse_that_happened_once_is_not_the_floor(tmp_path: Path) -> None:
    """So large a load that the supply's limit brings the UPS down at once, unseen; it is not found a second time."""

    def heater(bench: SimBench) -> None:
        bench.ups.ac_load_w = 330.0

    def and_away(bench: SimBench) -> None:
        heater(bench)
        bench.advance()
        bench.world.changed()
        bench.ups.ac_load_w = 100.0

    for act, end in ((heater, "did not run on the stand-in"), (and_away, "cut-off at other volts the second time")):
        swept = sweep(tmp_path, when=on_battery_under(24.0), act=act)
        assert (swept.end, swept.exit_code) == (end, 0)
        no_floor(swept)


def test_an_ac_load_that_doubles_ends_the_sweep(tmp_path: Path) -> None:
    def doubled(bench: SimBench) -> None:
        bench.ups.ac_load_w = 240.0

    swept = sweep(tmp_path, when=on_battery_under(24.0), act=doubled)
    assert (swept.end, swept.exit_code) == ("drew far more than before", 0)
    no_floor(swept)


WHEN_A_PACK_COMES: dict[str, Callable[[SimBench, Any], bool]] = {
    "on battery": on_battery_under(24.0),
    "on mains": lambda bench, sample: bench.ups.state == "mains" and sample.elapsed_s > 30.0,
    "latched off": lambda bench, sample: bench.ups.state == "latched off",
}


@pytest.mark.parametrize("when", WHEN_A_PACK_COMES)
@pytest.mark.parametrize("share", [0.1, 0.9])
def test_a_pack_put_beside_the_ups_ends_the_sweep(when: str, share: float, tmp_path: Path) -> None:
    """Somebody connects a pack while the supply stands in: it is not charged by it for longer than some seconds."""
    facts = load_scenario("cabinet")
    facts = replace(facts, pack=replace(facts.pack, start_share=(share,) * 8))
    swept = sweep(
        tmp_path, facts=facts, when=WHEN_A_PACK_COMES[when], act=lambda bench: bench.world.hook_up("both")
    )
    no_floor(swept)
    assert swept.exit_code == 99  # off is off, but the pack holds the node up: that is said
    took_in_ah = -swept.bench.world.charge_ah
    assert took_in_ah < 0.01, f"{swept.end}: the pack took {took_in_ah:.3f} Ah"


def test_mains_pushed_back_by_the_person_who_switches_it(tmp_path: Path) -> None:
    """No switch on this bench: whoever unplugged it plugs it in again, unasked, and is asked to take it out."""
    swept = sweep(
        tmp_path, facts=load_scenario("porch"), when=on_battery_under(12.0), act=lambda bench: mains(bench)
    )
    assert (swept.end, swept.exit_code) == ("mains came back", 0)
    no_floor(swept)
    assert not swept.bench.ups.mains_on


def test_mains_that_comes_back_is_not_the_floor(tmp_path: Path) -> None:
    facts = electric(selftest_after_s=1e6)  # which would switch it off: a battery is not there any more
    swept = sweep(tmp_path, facts=facts, when=on_battery_under(24.0), act=mains)
    assert swept.end == "off not confirmed after: mains came back"
    no_floor(swept)
    # The switch says open; that something still drives the node is seen all the same.
    assert swept.exit_code == 99
    assert swept.result.off_confirmation is not None
    assert not swept.result.off_confirmation.confirmed
    assert "HELD UP" in swept.result.off_confirmation.how


def test_a_switch_that_welds_is_driven_by_the_charger(tmp_path: Path) -> None:
    def weld(bench: SimBench) -> None:
        bench.switches["mains"].welded = True

    # So long on mains that its charger holds the node up afterwards: a UPS that has latched off leaves it dead.
    sets = ("mains_wait_s=60",)
    swept = sweep(tmp_path, when=lambda bench, sample: bench.ups.state == "mains", act=weld, sets=sets)
    assert swept.end == "off not confirmed after: driven by charger"
    no_floor(swept)
    assert swept.exit_code == 99


def test_a_self_test_is_seen_and_is_not_the_floor(tmp_path: Path) -> None:
    swept = sweep(tmp_path, sets=("mains_wait_s=90",), expect_acted=False)
    assert swept.end == "cut-off"
    assert swept.result.conditions["self_tests_seen"].value >= 1
    assert abs(swept.value("floor_v") - 21.0) <= swept.result.figures["floor_v"].expanded_uncertainty


def test_mains_taken_away_in_the_midst_of_a_self_test(tmp_path: Path) -> None:
    """The UPS then runs on without a gap; the floor is found all the same."""
    facts = electric(selftest_after_s=30.0, selftest_s=60.0)
    swept = sweep(tmp_path, facts=facts, sets=("mains_wait_s=40",), expect_acted=False)
    assert swept.end == "cut-off"
    assert abs(swept.value("floor_v") - 21.0) <= swept.result.figures["floor_v"].expanded_uncertainty


def test_a_ups_that_refuses_the_stand_in(tmp_path: Path) -> None:
    swept = sweep(tmp_path, facts=electric(high_v=26.5, above_high="refuses"), expect_acted=False)
    assert swept.end == "did not run on the stand-in"
    assert swept.exit_code == 0
    no_floor(swept)


def test_a_ups_that_restarts_by_itself_on_one_level(tmp_path: Path) -> None:
    """Without sense leads the volts at the UPS rise once its current is gone, here over its restart level."""
    facts = electric(latches=False, restart_v=21.02, cutoff_v=21.0)
    facts = replace(facts, supply=replace(facts.supply, sense="local"), supply_lead_mohm=60.0)
    swept = sweep(tmp_path, facts=facts, expect_acted=False)
    assert swept.end == "restarts by itself"
    no_floor(swept)


def test_a_ups_that_latches_and_one_that_does_not(tmp_path: Path) -> None:
    latching = sweep(tmp_path, expect_acted=False)
    assert latching.value("latched") is True
    assert "restart_v" in latching.result.not_measured
    other = sweep(tmp_path, facts=electric(latches=False, restart_v=24.2), expect_acted=False)
    assert other.end == "cut-off"
    assert other.value("latched") is False
    restart = other.result.figures["restart_v"]
    assert restart.expanded_uncertainty is not None
    assert abs(float(restart.value) - 24.2) <= restart.expanded_uncertainty


@pytest.mark.parametrize("ac_w", [60.0, 150.0])
def test_a_floor_that_falls_with_load(ac_w: float, tmp_path: Path) -> None:
    facts = electric(cutoff_fall_v=2.0)
    facts = replace(facts, ups=replace(facts.ups), ups_plan=replace(facts.ups_plan, ac_load_w=ac_w))
    swept = sweep(tmp_path, facts=facts, expect_acted=False)
    floor = swept.result.figures["floor_v"]
    assert floor.expanded_uncertainty is not None
    assert abs(float(floor.value) - (21.0 - 2.0 * ac_w / 420.0)) <= floor.expanded_uncertainty
    assert float(swept.value("p_ac_w")) == ac_w


def test_a_warning_by_contact_by_mark_or_never(tmp_path: Path) -> None:
    by_contact = sweep(tmp_path, expect_acted=False)
    nobody = replace(
        load_scenario("cabinet"),
        fitted=("supply", "load", "meter", "thermometer", "mains", "acload"),
    )
    by_mark = sweep(tmp_path, facts=nobody, expect_acted=False)
    for swept, how in ((by_contact, "contact"), (by_mark, "mark")):
        assert swept.result.conditions["warning_told_by"].value == how
        warn = swept.result.figures["warn_v"]
        assert warn.expanded_uncertainty is not None
        assert abs(float(warn.value) - 22.4) <= warn.expanded_uncertainty
    never = sweep(tmp_path, facts=electric(warns=False), expect_acted=False)
    assert "warn_v" not in never.result.figures
    assert never.result.not_measured["warn_v"]
    assert never.end == "cut-off"


def test_without_a_meter_the_volts_are_those_of_the_supply(tmp_path: Path) -> None:
    facts = load_scenario("cabinet")
    for sense in ("remote", "local"):
        bare = replace(
            facts, fitted=("supply", "mains", "acload", "contact", "output"), supply=replace(facts.supply, sense=sense)
        )
        swept = sweep(tmp_path, facts=bare, expect_acted=False)
        floor = swept.result.figures["floor_v"]
        assert floor.expanded_uncertainty is not None
        assert abs(float(floor.value) - 21.0) <= floor.expanded_uncertainty, sense
        assert ("lead_drop_v" in swept.result.figures) is (sense == "local")
