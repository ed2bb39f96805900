"""Whatever goes wrong on the way of switching off does not stop it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from night import obstinate, truly_off
from off_bench import Live

from drivers.load import Load
from drivers.supply import Supply
from harness.rig import Rig
from harness.stops import RunStopped
from harness.witness import Witness

# -- whatever goes wrong on the way ------------------------------------------------------------------------------------


class Wrong(Exception):
    """Nothing that any driver is known to raise."""


@pytest.mark.parametrize("error", [Wrong("of the driver"), ValueError("x"), AssertionError(), MemoryError()])
@pytest.mark.parametrize("verb", ["off", "measure_amps", "output_is_on", "input_is_on", "soften", "session.close"])
@pytest.mark.parametrize("phase", ["sink", "source"])
def test_no_driver_call_stops_the_others(
    phase: str, verb: str, error: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = Live(tmp_path, phase)
    rig = live.connection.rig
    assert rig is not None
    calls = []

    def wrong(*_: Any) -> None:
        calls.append(verb)
        raise error

    for kind in (Supply, Load):
        owner, _, name = verb.rpartition(".")
        if owner:
            for driver in rig.drivers.values():
                monkeypatch.setattr(driver.session, name, wrong)
            # Else nothing would have to be closed.
            obstinate(live.wires, "load", {b"INP?": b"1\n"}.get)
        elif hasattr(kind, name):
            monkeypatch.setattr(kind, name, wrong)
    if verb == "soften":
        monkeypatch.setattr(Load, "measure_amps", lambda self: 6.0)
        monkeypatch.setattr(Supply, "measure_amps", lambda self: 4.0)
    report = live.off()
    world = live.wires.bench.world
    assert calls or (verb == "session.close" and report.confirmed)
    if verb == "off":
        assert len(calls) == 2 * report.tries, "both were told, each time"
        assert report.confirmed is truly_off(world)
    else:
        assert not world.supply.output_on
        assert not world.load.input_on
    if verb in ("measure_amps", "output_is_on", "input_is_on", "soften"):
        assert report.word == "not confirmed"


def raising(*_: Any, **__: Any) -> None:
    raise Wrong("in what is not the bench")


def test_whoever_listens_in_does_not_spoil_it(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    rig = live.connection.rig
    assert rig is not None
    for driver in rig.drivers.values():
        driver.session.wire.tap = raising
    live.connection.rig = Rig(bench_file=rig.bench_file, drivers=rig.drivers)
    report = live.off()
    assert report.confirmed
    assert truly_off(live.wires.bench.world)


def test_a_record_that_can_not_be_kept_does_not_stop_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live(tmp_path, "sink")
    live.wires.gone.add("supply")
    monkeypatch.setattr(live, "note", raising)
    assert live.off().suspects == ("supply",)
    assert not live.wires.bench.world.load.input_on


def test_errors_are_noted_only_after_everything_was_told(tmp_path: Path) -> None:
    """A disk that hangs while it is told of the first instrument must not keep the second one on."""
    live = Live(tmp_path, "sink")
    live.wires.gone.add("load")
    told: list[list[str]] = []
    live.note = lambda kind, **fields: told.append(live.offs())  # type: ignore[method-assign]
    live.off()
    assert told
    assert all("supply" in offs for offs in told)


def test_the_same_error_is_noted_once(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.gone.add("supply")
    live.off()
    assert len(live.noted) == len({fields["text"] for _, fields in live.noted})
    assert any("times)" in fields["text"] for _, fields in live.noted)


def test_a_fault_of_this_program_is_never_taken_for_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live(tmp_path, "sink")
    monkeypatch.setattr(Witness, "ask", raising)
    report = live.off()
    assert report.word == "not confirmed"
    assert any("program error: Wrong" in line for line in report.lines)
    assert report.suspects == ("supply", "load")
    assert truly_off(live.wires.bench.world)


def test_a_stop_in_the_middle_of_it_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What derives from BaseException is not swallowed; the offs were sent before."""
    live = Live(tmp_path, "sink")

    def stopped(*_: Any) -> None:
        raise RunStopped("by somebody")

    monkeypatch.setattr(Witness, "ask", stopped)
    with pytest.raises(RunStopped):
        live.off()
    assert truly_off(live.wires.bench.world)
