"""A UPS on the bench: whatever ends a run, in whichever stage, everything goes off in the order of the table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from ups_stages import OFF, ROLE, SHORT, Out, Stage, order_at, spend, stop, wrong

from harness.jsonlines import events
from harness.off_order import SINK_LAST_S

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


def knob(out: Out) -> None:
    """Somebody at the front panel of whatever is on changes what the procedure never sets; at rest they switch on."""
    world = out.world
    if world.load.input_on:
        out.wires.bench.connect("load").feed(b"CURR:PROT 7.5\n")
    else:
        out.wires.bench.connect("supply").feed(b"VOLT:PROT 35\n" if world.supply.output_on else b"OUTP ON\n")


ACTS = {"Ctrl-C": (stop, 20), "knob": (knob, 21)}
CASES = [("cabinet", procedure, what) for procedure in SHORT for what in ACTS]
CASES += [("porch", procedure, "Ctrl-C") for procedure in SHORT]
CAMPAIGN_CASES = [pytest.param("porch", procedure, "knob", marks=pytest.mark.slow) for procedure in SHORT]


@pytest.mark.parametrize(("scenario", "procedure", "what"), [*CASES, *CAMPAIGN_CASES])
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
CAMPAIGN = pytest.param(1, marks=pytest.mark.slow, id="every-stage")


@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize(("scenario", "name"), LOST)
@pytest.mark.parametrize("every", [pytest.param(3, id="each-third-stage"), CAMPAIGN])
def test_a_lost_link_leaves_all_others_off(
    every: int,
    procedure: str,
    scenario: str,
    name: str,
    stages: dict[tuple[str, str], dict[Stage, int]],
    tmp_path: Path,
) -> None:
    """The instrument that is gone stays as it was, which is said (99); every other one is off. Of three instruments in
    a row one is lost in the first stage, the next in the second: all stages are met. All of it is a campaign."""
    met = list(stages[scenario, procedure].items())
    for stage, at in met[LOST.index((scenario, name)) % min(every, len(met)) :: every]:
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
