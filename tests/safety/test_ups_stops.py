"""A UPS on the bench: whatever ends a run, in whichever stage, everything goes off in the order of the table.

The judge is the world: outputs, mains and AC load, and what the instruments heard. A stage is what the record calls the
state, whether mains is taken to be on, and what the UPS itself is doing, which only the world knows.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import night as nights
import pytest

from harness.folder import RunFolder
from harness.jsonlines import events
from harness.off_order import ORDER, SINK_LAST_S
from harness.run import Done
from sims.scenario import Scenario, load_scenario

OFF = {"supply": b"OUTP OFF", "load": b"INP OFF", "mains": b"OUTP OFF", "acload": b"OUTP OFF"}
ROLE = {"acload": "ac-load"}
SHORT = {
    "voltage-floor": nights.Short("voltage-floor", 0.35, (), "supply"),
    "charge-ceiling": nights.Short("charge-ceiling", 0.35, (), "load"),
    "c-rate": nights.Short("c-rate", 0.35, ("rest_s=5", "step_s=15"), "load"),
}

Stage = tuple[str, bool, str]


@dataclass(slots=True)
class Out:
    """How a run came out: its night, the stages it came through, when and at which message it was hit."""

    wires: nights.Wires
    night: nights.Night | None = None
    stages: dict[Stage, int] = field(default_factory=dict)
    hit_s: float = -1.0
    hit_at: int = -1

    @property
    def world(self) -> Any:
        return self.wires.bench.world

    @property
    def done(self) -> Done | None:
        return None if self.night is None else self.night.done

    @property
    def folder(self) -> RunFolder | None:
        return None if self.night is None else self.night.folder

    @property
    def said(self) -> list[str]:
        return [] if self.night is None else self.night.said

    def at_the_end(self, stage: Stage) -> Stage:
        """The stage, with mains as it was when everything went off: it may have been switched on in between."""
        told = [m for _, who, m in self.wires.heard[self.hit_at :] if who == "mains" and m.startswith(b"OUTP O")]
        return (stage[0], stage[1] or (bool(told) and told[0] == b"OUTP ON"), stage[2])

    def offs(self) -> list[str]:
        """Roles in the order in which they were first told to switch off after the hit."""
        heard = self.wires.heard[self.hit_at :]
        told = [ROLE.get(who, who) for _, who, message in heard if OFF.get(who) == message]
        return list(dict.fromkeys(told))


def spend(
    scenario: str,
    procedure: str,
    *,
    at: int = -1,
    act: Callable[[Out], None] = lambda out: None,
    arrange: Callable[[Out], None] = lambda out: None,
    facts: Callable[[Scenario], Scenario] = lambda facts: facts,
    place: Path,
) -> Out:
    """One run; ``act`` is done when sample number ``at`` is shown, ``arrange`` before anything is said."""
    held: list[Out] = []

    def begin(wires: nights.Wires) -> None:
        held.append(Out(wires))
        arrange(held[0])

    def see(count: int, sample: Any) -> None:
        (out,) = held
        out.stages.setdefault((sample.state, sample.mains is True, out.wires.bench.ups.state), count)
        if count == at:
            out.hit_s, out.hit_at = out.wires.clock.now(), len(out.wires.heard)
            act(out)

    scene = facts(load_scenario(scenario))
    night = nights.spend(place, SHORT[procedure], scenario=scene, arrange=begin, each=see)
    (out,) = held
    out.night = night
    return out


@pytest.fixture(scope="module")
def stages(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], dict[Stage, int]]:
    """Scenario and procedure -> stage -> number of its first sample."""
    place = tmp_path_factory.mktemp("whole")
    found = {}
    for scenario in ("cabinet", "porch"):
        for procedure in SHORT:
            out = spend(scenario, procedure, place=place)
            assert out.done is not None
            assert out.done.exit_code == 0, out.done.result.end_reason
            assert wrong(out) == []
            found[scenario, procedure] = out.stages
    return found


def wrong(out: Out) -> list[str]:
    """Everything that was left on, by the world."""
    world, bad = out.world, []
    world.changed()
    ups = out.wires.bench.ups
    if world.supply.output_on:
        bad.append("supply on")
    if world.load.input_on:
        bad.append("load on")
    if ups.mains_on:
        bad.append("mains on")
    if world.hooked == "ups" and not abs(world.ups_amps) < 0.03:
        bad.append(f"{world.ups_amps:.3f} A into the UPS")
    return bad


def order_at(stage: Stage, cause: str = "") -> tuple[str, ...]:
    """The row of the table for a stage."""
    state, mains, _ = stage
    if state != "standing in":
        return ORDER[{"resting": "rest", "tracing": "trace", "sinking": "sink"}[state]]
    return ORDER["stand-in" if not mains else "stand-in, mains on" + (f", {cause}" if cause else "")]


WANTED: dict[str, set[Stage]] = {
    "voltage-floor": {
        ("standing in", False, "off"),
        ("standing in", True, "off"),
        ("standing in", True, "mains"),
        ("standing in", True, "self-test"),
        ("standing in", False, "battery"),
        ("standing in", False, "battery low"),
        ("standing in", False, "latched off"),
    },
    "charge-ceiling": {("tracing", True, "off"), ("tracing", True, "mains")},
    "c-rate": {("resting", False, "off"), ("sinking", False, "off")},
}


def test_the_stages_are_there(stages: dict[tuple[str, str], dict[Stage, int]]) -> None:
    for procedure, wanted in WANTED.items():
        assert wanted <= set(stages["cabinet", procedure]), procedure


def stop(out: Out) -> None:
    """A person's Ctrl-C, as the flag sees it."""
    os.kill(os.getpid(), signal.SIGINT)


def knob(out: Out) -> None:
    """Somebody at the front panel of whatever is on changes what the procedure never sets; at rest they switch on."""
    world = out.world
    if world.load.input_on:
        out.wires.bench.connect("load").feed(b"CURR:PROT 7.5\n")
    else:
        out.wires.bench.connect("supply").feed(b"VOLT:PROT 35\n" if world.supply.output_on else b"OUTP ON\n")


ACTS = {"Ctrl-C": (stop, 20), "knob": (knob, 21)}
CASES = [(scenario, procedure, what) for scenario in ("cabinet", "porch") for procedure in SHORT for what in ACTS]


@pytest.mark.parametrize(("scenario", "procedure", "what"), CASES)
def test_everything_goes_off_in_order(
    scenario: str, procedure: str, what: str, stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    act, code = ACTS[what]
    for stage, at in stages[scenario, procedure].items():
        out = spend(scenario, procedure, at=at, act=act, place=tmp_path)
        assert out.done is not None
        if what == "Ctrl-C":
            assert out.at_the_end(stage) == stage, "nothing is switched on any more"
        assert out.done.exit_code == code, (stage, out.done.result.end_reason)
        assert wrong(out) == [], stage
        fitted = {"supply", "load"} | {ROLE.get(name, name) for name in ("mains", "acload") if name in out.wires.names}
        assert out.offs() == [role for role in order_at(out.at_the_end(stage)) if role in fitted], stage
        assert out.done.result.off_confirmation is not None
        assert out.done.result.off_confirmation.confirmed, stage


LOST = [("cabinet", name) for name in ("supply", "load", "meter", "mains", "contact")]
LOST += [("porch", name) for name in ("supply", "load", "meter")]


@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize(("scenario", "name"), LOST)
def test_a_lost_link_leaves_all_others_off(
    procedure: str, scenario: str, name: str, stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    """The instrument that is gone stays as it was, which is said (99); every other one is off."""
    for stage, at in stages[scenario, procedure].items():
        out = spend(scenario, procedure, at=at, act=lambda out: out.wires.gone.add(name), place=tmp_path)
        assert out.done is not None
        left = [what for what in wrong(out) if not what.startswith(name)]
        world = out.world
        if name == "mains" and out.wires.bench.ups.mains_on:
            left = [what for what in left if "into the UPS" not in what]
        if name == "supply" and world.supply.output_on:
            left = [what for what in left if "into the UPS" not in what]
        assert left == [], (stage, out.done.result.end_reason)
        if wrong(out):
            assert out.done.exit_code == 99, stage
            assert any("TREAT THE BENCH AS LIVE" in text for text in out.said)
        elif name == "contact" and procedure == "c-rate":
            assert out.done.exit_code == 0  # a pack run asks no contact
        elif name == "mains" and procedure == "c-rate":
            assert out.done.exit_code in (0, 99)
        else:
            assert out.done.exit_code in (0, 20, 21, 22, 23, 99), stage


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


def test_a_charger_that_pushes_too_far_goes_off_first(
    stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    def push(out: Out) -> None:
        charger = out.wires.bench.ups.charger
        charger.spec = replace(charger.spec, float_v=31.0, boost_v=float("nan"))
        out.world.changed()

    stage = ("standing in", True, "mains")
    out = spend("cabinet", "voltage-floor", at=stages["cabinet", "voltage-floor"][stage] + 12, act=push, place=tmp_path)
    assert out.done is not None
    assert (out.done.exit_code, out.done.result.end_reason.partition(":")[0]) == (21, "high volts")
    assert (*out.offs(), "contactor") == order_at(stage, "volts")
    assert wrong(out) == []


def test_a_load_that_takes_the_charge_goes_last_and_only_once_the_node_is_dead(
    stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    stage = ("tracing", True, "mains")
    out = spend("cabinet", "charge-ceiling", at=stages["cabinet", "charge-ceiling"][stage], act=stop, place=tmp_path)
    told = {}
    for t_s, who, message in out.wires.heard[out.hit_at :]:
        if OFF.get(who) == message:
            told.setdefault(who, t_s)
    assert told["mains"] <= told["supply"] <= told["load"] <= told["mains"] + SINK_LAST_S + 0.5
    assert wrong(out) == []


def test_without_a_switch_a_person_is_told_to_switch_the_mains_off(
    stages: dict[tuple[str, str], dict[Stage, int]], tmp_path: Path
) -> None:
    for procedure, state in (("voltage-floor", "standing in"), ("charge-ceiling", "tracing")):
        stage = (state, True, "mains")
        out = spend("porch", procedure, at=stages["porch", procedure][stage], act=stop, place=tmp_path)
        assert out.folder is not None
        told = [event["text"] for event in events(out.folder) if event["kind"] == "ask"]
        assert "mains OFF" in told[-1]
        assert wrong(out) == []


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
