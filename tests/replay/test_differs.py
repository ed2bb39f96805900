"""A change in what a run does, says or works out makes the replay fail, and it says where and what in a few lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import msgspec
import pytest

import harness.channels
import harness.derived
import procedures.discharge
from harness.folder import RunFolder
from harness.loop import Loop
from harness.procedure import Procedure
from harness.replay import Replayed, replay
from harness.replay_words import lines_of
from harness.stopping import Stopping

Unpacked = Callable[[str], RunFolder]


@pytest.fixture
def plan_of_the_procedure(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """From now on every procedure goes by another value than its plan says, as if its code had been changed."""
    plain = harness.derived.procedure_of

    def changed(**values: Any) -> None:
        def procedure_of(result: Any) -> Procedure:
            one = plain(result)
            return replace(one, run=lambda bench, plan: one.run(bench, plan=msgspec.structs.replace(plan, **values)))

        monkeypatch.setattr(harness.derived, "procedure_of", procedure_of)

    return changed


def told(done: Replayed) -> str:
    assert not done.same
    lines = lines_of(done)
    assert len(lines) <= 14
    assert all(len(line) <= 160 for line in lines)
    return "\n".join(lines)


def test_another_set_point(unpacked: Unpacked, plan_of_the_procedure: Callable[..., None]) -> None:
    plan_of_the_procedure(rate_it=1.4)
    done = replay(unpacked("capacity-to-its-end-volts"))
    text = told(done)
    first = done.differences[0]
    assert first.what == "message"
    assert first.where.startswith("message "), first
    assert (first.replay, first.record) == ("to load: CURR 11.200", "to load: CURR 12.000")
    assert "NOT as recorded; the first of each kind that differs:\n  message: message " in text
    assert "    this version: to load: CURR 11.200\n    the record:   to load: CURR 12.000" in text


def test_another_time_to_settle(unpacked: Unpacked, plan_of_the_procedure: Callable[..., None]) -> None:
    """A level is held for longer: the first message that is another one is told, and behind which sample it came."""
    plan_of_the_procedure(dwell_s=12.0)
    done = replay(unpacked("floor-cut-off"))
    first = done.differences[0]
    assert first.what == "message"
    assert "after 2" in first.where or "samples (" in first.where
    assert first.record.startswith("to supply: ")
    assert first.replay != first.record
    told(done)


def test_a_shorter_rest(unpacked: Unpacked, plan_of_the_procedure: Callable[..., None]) -> None:
    plan_of_the_procedure(rest_s=1.0)
    first = replay(unpacked("capacity-to-its-end-volts")).differences[0]
    assert first.what == "message"
    assert first.where.endswith(", after 2 samples (1.000 s after the start)"), first


def test_a_question_more_each_turn(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Loop.look

    def look(self: Loop, block: Any) -> Any:
        self.rig.pack_volts()
        return plain(self, block)

    monkeypatch.setattr(Loop, "look", look)
    first = replay(unpacked("capacity-to-its-end-volts")).differences[0]
    assert (first.replay, first.record) == ("to meter: MEAS:VOLT:DC?", "to supply: MEAS:CURR?")


def test_messages_left_out_at_the_end(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that says less than it did: what the record goes on with is told."""
    monkeypatch.setattr("harness.watchdogs.Watchdogs.disarm", lambda self, off: "")
    monkeypatch.setattr("harness.safeoff.SafeOff._asked", lambda self, witness: True)
    done = replay(unpacked("capacity-to-its-end-volts"))
    assert done.differences[0].what == "message"
    assert done.differences[0].record.startswith("to ")


def test_other_words(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is sent is the same, and so are the figures: only the event is told."""
    plain = Stopping.settle_off

    def settle_off(self: Stopping, report: Any, *, reason: str) -> None:
        plain(self, report, reason=reason.replace("end", "END"))

    monkeypatch.setattr(Stopping, "settle_off", settle_off)
    done = replay(unpacked("capacity-to-its-end-volts"))
    assert [one.what for one in done.differences] == ["event"]
    assert "(off), reason" in done.differences[0].where
    assert "END" in done.differences[0].replay
    assert "END" not in done.differences[0].record


def test_another_figure(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(harness.channels, "LEAD_SHARE", 0.2)
    monkeypatch.setattr(harness.channels, "BLEED_SHARE", 0.5)
    done = replay(unpacked("capacity-to-its-end-volts"))
    assert [one.what for one in done.differences] == ["figure"]
    assert done.differences[0].where == "capacity_ah"
    assert done.differences[0].replay != done.differences[0].record


def test_a_sample_counted_otherwise(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Loop._count

    def count(self: Loop, block: Any, amps: float, volts: float, elapsed_s: float) -> None:
        plain(self, block, 1.001 * amps, volts, elapsed_s)

    monkeypatch.setattr(Loop, "_count", count)
    done = replay(unpacked("capacity-to-its-end-volts"))
    assert done.differences[0].what == "sample"
    assert "charge_ah" in done.differences[0].where


def test_a_procedure_that_fails(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_args: Any, **_more: Any) -> None:
        raise ZeroDivisionError("ours")

    monkeypatch.setattr(procedures.discharge.DischargeFold, "push", broken)
    done = replay(unpacked("capacity-to-its-end-volts"))
    assert done.differences[0].what == "message"
    assert done.differences[0].why == "ZeroDivisionError: ours"
    assert "    it was ending for: ZeroDivisionError: ours" in told(done)


def test_of_a_killed_run_too(unpacked: Unpacked, plan_of_the_procedure: Callable[..., None]) -> None:
    plan_of_the_procedure(rate_it=1.4)
    done = replay(unpacked("capacity-killed"))
    assert done.differences[0].replay == "to load: CURR 11.200"
    assert not done.whole
