"""Switching off: its order and its proof."""

from __future__ import annotations

from pathlib import Path

import pytest
from night import obstinate, truly_off
from off_bench import HARD, OFF, ON_A_PACK, Live, liar, of_pack

from harness.safeoff import LADDER_UNSAFE_S
from harness.unsafe import HEAD, message

# -- order -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ON_A_PACK)
def test_order_on_the_wire(phase: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase)
    report = live.off()
    assert report.confirmed
    assert truly_off(live.wires.bench.world)
    assert live.offs() == list(of_pack(phase))
    # Before anything is asked, everything was told.
    assert [text for _, _, text in live.wires.heard[:2]] == [OFF[who] for who in of_pack(phase)]
    assert [t for t, _, _ in live.wires.heard[:2]] == [live.on_s] * 2


@pytest.mark.parametrize(("phase", "last"), [("sink", "supply"), ("source", "load"), ("unknown", "load")])
def test_what_pushes_goes_first_and_a_sink_last_unless_the_pack_is_what_is_left(phase: str, last: str) -> None:
    assert of_pack(phase)[-1] == last
    assert set(of_pack(phase)) == {"supply", "load"}


@pytest.mark.parametrize("lost", ["supply", "load"])
@pytest.mark.parametrize("phase", ON_A_PACK)
def test_nobody_waits_for_one_that_has_to_start_again(phase: str, lost: str, tmp_path: Path) -> None:
    """Its line was lost, and it is deaf for 5 s after each opening: it is told off after that, the other at once."""
    live = Live(tmp_path, phase)
    assert live.connection.rig is not None
    wire = live.connection.rig.drivers[lost].session.wire
    wire.close()
    wire.boot_s = 5.0
    report = live.off()
    told_s = {who: t - live.on_s for t, who, text in reversed(live.wires.heard) if text == OFF.get(who)}
    assert told_s.pop(lost) == pytest.approx(5.0)
    assert list(told_s.values()) == [0.0]
    assert report.confirmed
    assert truly_off(live.wires.bench.world)


@pytest.mark.parametrize("kind", ["mute", "deaf", "gone"])
@pytest.mark.parametrize("lost", ["supply", "load"])
@pytest.mark.parametrize("phase", ["sink", "source"])
def test_both_outputs_are_told_though_one_is_lost(phase: str, lost: str, kind: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase)
    getattr(live.wires, kind).add(lost)
    report = live.off()
    other = "load" if lost == "supply" else "supply"
    first = next(t for t, who, text in live.wires.heard if (who, text) == (other, OFF[other]))
    assert first - live.on_s <= 1.0, "waited for the one that is lost"
    assert not report.confirmed
    assert report.suspects == (lost,)
    assert truly_off(live.wires.bench.world) is (kind == "mute" or of_pack(phase)[0] != lost)


# -- proof -------------------------------------------------------------------------------------------------------------


def test_a_discharge_is_proven_off_by_the_rebound(tmp_path: Path) -> None:
    report = Live(tmp_path, "sink").off()
    assert (report.word, report.witness) == ("confirmed", "other instrument (meter)")
    assert any("pack rebounded" in line for line in report.lines)


def test_a_charge_is_proven_off_by_falling_back(tmp_path: Path) -> None:
    report = Live(tmp_path, "source").off()
    assert (report.word, report.witness) == ("confirmed", "other instrument (meter)")
    assert any("pack fell back" in line for line in report.lines)


def test_without_a_current_there_is_only_the_instruments_own_word(tmp_path: Path) -> None:
    report = Live(tmp_path, "rest").off()
    assert (report.word, report.witness) == ("confirmed", "none")
    assert report.lines[-1] == "off, by the instrument's own word only"


@pytest.mark.parametrize(("phase", "port"), [("sink", "load"), ("source", "supply")])
def test_says_off_reads_nothing_and_the_pack_says_otherwise(phase: str, port: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase, lambda wires: obstinate(wires, port, liar(port)))
    report = live.off()
    assert report.word == "not confirmed"
    assert any("did NOT" in line for line in report.lines)
    assert report.took_s >= LADDER_UNSAFE_S
    assert not truly_off(live.wires.bench.world)
    rig = live.connection.rig
    assert rig is not None
    text = message(rig, report, fuse_amps=20.0)
    assert text.startswith(HEAD)
    assert port in text
    assert "20 A" in text
    assert "last current: 0.0" in text


def test_a_lie_about_the_current_alone_is_seen_through(tmp_path: Path) -> None:
    answer = {b"MEAS:CURR?": b"0.0000\n", **HARD}.get
    report = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", answer)).off()
    assert report.word == "not confirmed"
    assert report.suspects == ("load",)
    assert any("says ON" in line for line in report.lines)


def test_says_off_and_still_carries_current(tmp_path: Path) -> None:
    answer = {b"INP?": b"0\n", **HARD}.get
    report = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", answer)).off()
    assert report.word == "not confirmed"
    assert report.last_amps == pytest.approx(6.0, abs=0.1)


@pytest.mark.parametrize("reply", [b"9.91E37\n", b"\n", b"OVLD\n", b"nan\n"])
def test_a_current_that_is_not_a_number_is_never_nothing(reply: bytes, tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", {b"MEAS:CURR?": reply}.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = live.off()
    assert report.word == "not confirmed"
    assert report.suspects == ("load",)


def test_nobody_answers(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.deaf |= set(live.wires.names)
    report = live.off()
    assert report.word == "unreadable"
    assert report.suspects == ("supply", "load")
    rig = live.connection.rig
    assert rig is not None
    text = message(rig, report, fuse_amps=None, trying=False)
    assert "last current: no answer; pack: no answer" in text
    assert "Still trying" not in text


def test_only_the_voltmeter_answers_is_readable(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.deaf |= {"supply", "load"}
    report = live.off()
    assert report.word == "not confirmed"
    assert report.last_volts > 5.0


@pytest.mark.parametrize("lost", [{"meter"}, {"thermometer"}, {"meter", "thermometer"}])
@pytest.mark.parametrize("kind", ["deaf", "gone"])
def test_a_dead_voltmeter_or_thermometer_costs_one_deadline_at_most(kind: str, lost: set[str], tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    getattr(live.wires, kind).update(lost)
    report = live.off()
    assert report.confirmed
    assert report.took_s <= 1.5
    assert report.witness == ("none" if "meter" in lost else "other instrument (meter)")
    assert not any(who == "thermometer" for _, who, _ in live.wires.heard), "nobody asked for a temperature"
