"""A UPS on the bench beside what nobody sees: a pack left on its node, a loose voltmeter, a hand at a switch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import night as nights
import pytest
from ups_stages import Out, Stage, spend, wrong

from harness.jsonlines import events
from sims.scenario import Scenario


@pytest.mark.parametrize("scenario", ["cabinet", "porch"])
def test_a_loose_voltmeter_does_not_make_a_live_node_dead(scenario: str, tmp_path: Path) -> None:
    # Ours: the meter's lead had come off, so "dead" was said of a node that a charger drove.
    def arrange(out: Out) -> None:
        def before(number: int, who: str, message: bytes) -> None:
            if out.world.ups.mains_on and "mains" in out.wires.names:
                out.wires.bench.switches["mains"].welded = True
            loose.append(out.world.ups.mains_on and (out.world.ups_amps < -0.1 or any(loose)))

        out.wires.before = before
        nights.obstinate(
            out.wires, "meter", lambda m: b"0.0010\n" if any(loose[-1:]) and m.startswith(b"MEAS:") else None
        )

    loose: list[bool] = []

    out = spend(scenario, "charge-ceiling", arrange=arrange, place=tmp_path)
    assert out.done is not None
    assert out.folder is not None
    how = " ".join(line for event in events(out.folder) if event["kind"] == "off" for line in event["how"])
    assert "0.001 V, but " in how
    if scenario == "cabinet":
        assert out.done.exit_code == 99
        assert any("TREAT THE BENCH AS LIVE" in text for text in out.said)
    else:
        assert "live on an open node" in how


def leave(what: str) -> Callable[[Out], None]:
    """Whoever wires up the UPS leaves ``what`` on the node."""

    def arrange(out: Out) -> None:
        hands = out.wires.do

        def leave_it_there(order: str) -> str:
            answer = hands(order)
            if order == "wire ups":
                out.world.hook_up(what)
            return answer

        out.wires.do = leave_it_there  # type: ignore[method-assign]

    return arrange


@pytest.mark.parametrize("left", ["both", "pack"])
@pytest.mark.parametrize("procedure", ["voltage-floor", "charge-ceiling"])
def test_a_pack_behind_the_contactor_is_found_once_that_is_closed(procedure: str, left: str, tmp_path: Path) -> None:
    # Ours: nobody sees behind an open contactor, so the node was called dead, and the stand-in went onto the pack.
    def blind(facts: Scenario) -> Scenario:
        facts = replace(facts, fitted=("supply", "load", "contactor", "mains", "acload"))
        return replace(facts, supply=replace(facts.supply, sense="local"), load=replace(facts.load, sense="local"))

    out = spend("cabinet", procedure, arrange=leave(left), facts=blind, place=tmp_path)
    assert out.done is not None
    assert (out.done.exit_code, out.done.result.end_reason.partition(":")[0]) == (21, "contactor closed")
    assert "battery, or a charger" in out.done.result.end_reason
    assert [who for _, who, told in out.wires.heard if told in (b"OUTP ON", b"INP ON")] == ["contactor"]
    assert not out.world.contactor_closed


@pytest.mark.parametrize("scenario", ["cabinet", "porch"])
@pytest.mark.parametrize("procedure", ["voltage-floor", "charge-ceiling"])
def test_a_pack_asleep_beside_the_ups_is_found_before_its_mains_is_on(
    scenario: str, procedure: str, tmp_path: Path
) -> None:
    # Ours: behind its open BMS it looked like a dead node; the stand-in woke it, and for minutes the supply charged it
    # at 1.3 It, or the load took 4 It out of it.

    def asleep(facts: Scenario) -> Scenario:
        return replace(facts, pack=replace(facts.pack, wiring="asleep"))

    out = spend(scenario, procedure, arrange=leave("both"), facts=asleep, place=tmp_path)
    assert out.done is not None
    assert out.done.exit_code in (21, 99), "where a switch has taken mains away a held node is no off"
    words = out.done.result.end_reason
    assert any(part in words for part in ("something else on the node", "over-current")), words
    active = {"voltage-floor": "supply", "charge-ceiling": "load"}[procedure]
    on, off = {"supply": (b"OUTP ON", b"OUTP OFF"), "load": (b"INP ON", b"INP OFF")}[active]
    on_s = next(t for t, who, told in out.wires.heard if (who, told) == (active, on))
    off_s = next(t for t, who, told in out.wires.heard if t >= on_s and (who, told) == (active, off))
    assert off_s - on_s <= 6.0
    assert not out.wires.bench.ups.mains_on
    assert not out.world.supply.output_on
    assert not out.world.load.input_on


@pytest.mark.parametrize("scenario", ["cabinet", "porch"])
def test_a_pack_put_beside_the_ups_in_mid_trace_is_more_than_a_charger(
    scenario: str, stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    # Ours: 24 A were within what load and leads bear, so 4 It flowed for minutes and the trace was called finished.
    at = stages[scenario, "charge-ceiling"]["tracing", True, "mains"] + 5
    out = spend(scenario, "charge-ceiling", at=at, act=lambda out: out.world.hook_up("both"), place=tmp_path)
    assert out.done is not None
    assert out.done.exit_code in (21, 99)
    assert "over-current" in out.done.result.end_reason
    off_s = next(t for t, who, told in out.wires.heard[out.hit_at :] if (who, told) == ("load", b"INP OFF"))
    assert off_s - out.hit_s <= 2.5
    assert out.offs()[0] == "load"


def test_a_mains_switched_on_in_a_pack_run_is_switched_off_as_well(
    stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    # Ours: a discharge has no place for mains in its order, so it was asked for ten seconds whether it was off, and
    # never told.
    at = stages["cabinet", "c-rate"]["sinking", False, "off"]
    out = spend("cabinet", "c-rate", at=at, act=lambda out: out.wires.do("mains on"), place=tmp_path)
    assert out.done is not None
    assert out.done.exit_code == 0, out.done.result.end_reason
    assert wrong(out) == []


def test_a_load_that_somebody_opens_is_not_closed_again(
    stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    # Ours: its panel was pressed just before the trace went over to constant current, which closes the input anew.
    pressed: list[int] = []

    def press_ahead(out: Out) -> None:
        def before(number: int, who: str, message: bytes) -> None:
            if not pressed and who == "load" and message.startswith(b"CURR "):
                pressed.append(number)
                out.wires.bench.connect("load").feed(b"INP OFF\n")

        out.wires.before = before

    at = stages["cabinet", "charge-ceiling"]["tracing", True, "mains"]
    out = spend("cabinet", "charge-ceiling", at=at, act=press_ahead, place=tmp_path)
    assert out.done is not None
    assert (out.done.exit_code, out.done.result.end_reason.partition(":")[0]) == (21, "changed from outside")
    assert (b"INP ON") not in [message for _, who, message in out.wires.heard[pressed[0] :] if who == "load"]
    assert wrong(out) == []


def test_a_loose_voltmeter_does_not_hide_a_charger_that_pushes_too_far(tmp_path: Path) -> None:
    # Ours: the load drew a set current, only the meter was looked at, and its lead had come off.
    loose: list[int] = []

    def arrange(out: Out) -> None:
        def before(number: int, who: str, message: bytes) -> None:
            if not loose and who == "load" and message == b"FUNC CURR" and out.world.load.input_on:
                loose.append(number)
                charger = out.wires.bench.ups.charger
                charger.spec = replace(charger.spec, float_v=33.0, boost_v=float("nan"))

        out.wires.before = before
        nights.obstinate(out.wires, "meter", lambda m: b"0.0010\n" if loose and m.startswith(b"MEAS:") else None)

    out = spend("cabinet", "charge-ceiling", arrange=arrange, place=tmp_path)
    assert out.done is not None
    assert loose
    assert (out.done.exit_code, out.done.result.end_reason.partition(":")[0]) == (21, "high volts")
    assert wrong(out) == []
