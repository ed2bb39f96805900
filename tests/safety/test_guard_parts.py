"""One round of switching off, and the guard's judgement, without processes and without waiting; each value by hand."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from guard_fakes import Line, output
from test_guard_pulse import pulse

from harness import guard_process, guard_pulse, guard_round
from harness.guard_acting import Guard
from harness.guard_journal import Journal
from harness.guard_round import Round

# -- one round ---------------------------------------------------------------------------------------------------------

KINDS = {"psu": "supply", "sink": "load", "k1": "contactor"}


def a_round(*, state: str = "sink", shared: bool = True, began_s: float = 1000.0) -> Round:
    outputs = {name: output(Line(b"1", b"6.0")) for name in KINDS}
    for one in outputs.values():
        one.line.way["shared"] = shared
    orders = {
        "order": {"sink": [("sink", 0.0), ("psu", 0.0), ("k1", 0.0)], "unknown": [("psu", 0.0), ("sink", 0.0)]},
        "kinds": KINDS,
    }
    return Round(orders, state, outputs, began_s=began_s, kept="kept by the run")


def test_the_order_of_what_was_going_on_or_of_what_nobody_knows() -> None:
    assert a_round().names == ["sink", "psu", "k1"]
    assert a_round(state="dancing").names == ["psu", "sink", "k1"]


def test_all_off_is_all() -> None:
    one = a_round()
    for name in KINDS:
        assert not one.all_off
        one.outputs[name].off.set()
    assert one.all_off


@pytest.mark.parametrize(
    ("shared", "alone", "speaks"), [(True, False, True), (False, False, False), (False, True, True)]
)
def test_a_line_for_one_holder_only(shared: bool, alone: bool, speaks: bool, slept: list[float]) -> None:
    one = a_round(shared=shared)
    if alone:
        one.alone.set()
    psu = one.outputs["psu"]
    assert one._tell(psu, 1, softened=False) is False
    assert (psu.tries == 1) is speaks
    assert one._gates[2].is_set()
    assert speaks or psu.last == "kept by the run"
    assert math.isnan(psu.sent_s) is not speaks


def test_when_it_was_sent_first_counts(slept: list[float]) -> None:
    one = a_round(began_s=999.5)
    psu = one.outputs["psu"]
    one._tell(psu, 1, softened=False)
    assert psu.sent_s == 0.5
    one._tell(psu, 1, softened=False)
    assert psu.sent_s == 0.5, "looking has taken 0.4 s since"
    slept.clear()
    exact = a_round(began_s=1000.0 - 0.87654321)
    exact._tell(exact.outputs["psu"], 1, softened=False)
    assert exact.outputs["psu"].sent_s == 0.8765


@pytest.mark.parametrize(
    ("took_s", "before", "after", "told"),
    [(1.0, False, False, False), (1.1, False, True, True), (5.0, True, True, False)],
)
def test_the_lowest_current_once_after_a_second_and_a_half(
    took_s: float, before: bool, after: bool, told: bool, slept: list[float]
) -> None:
    """Looking takes 0.4 s: 1.0 s becomes 1.4 s, and 1.1 s becomes 1.5 s."""
    one = a_round(began_s=1000.0 - took_s)
    psu = one.outputs["psu"]
    assert one._tell(psu, 1, softened=before) is after
    assert ("CURR 0" in psu.line.said) is told  # type: ignore[attr-defined]


def test_who_is_seen_off_is_not_softened(slept: list[float]) -> None:
    one = a_round(began_s=900.0)
    one.outputs["psu"] = psu = output(Line(b"0", b"0.0"))
    assert one._tell(psu, 1, softened=False) is False
    assert "CURR 0" not in psu.line.said  # type: ignore[attr-defined]


@pytest.mark.parametrize(("began_s", "hold_s", "waited_s"), [(1000.0, 3.0, 3.0), (998.0, 3.0, 1.0), (990.0, 3.0, 0.0)])
def test_a_sink_that_goes_last_is_held_from_the_beginning_on(
    began_s: float, hold_s: float, waited_s: float, slept: list[float]
) -> None:
    one = a_round(began_s=began_s)
    one.alone.set()
    one._wait_turn(hold_s, False)
    assert math.fsum(slept) == pytest.approx(waited_s)


@pytest.mark.parametrize(
    ("off", "alone", "waited_s"),
    [(("psu", "sink"), True, 0.0), (("psu",), True, 2.0), ((), True, 2.0), ((), False, 0.0)],
)
def test_a_contactor_waits_for_no_current_2_s_and_where_the_run_lives_not_at_all(
    off: tuple[str, ...], alone: bool, waited_s: float, slept: list[float]
) -> None:
    one = a_round()
    for name in off:
        one.outputs[name].off.set()
    if alone:
        one.alone.set()
    one._wait_turn(9.0, True)
    assert math.fsum(slept) == pytest.approx(waited_s, abs=0.011)
    assert len(slept) >= 100 * waited_s - 1, "it looks a hundred times a second"


class Over:
    """An event that is set after so many waits, whose lengths it knows."""

    def __init__(self, after: int) -> None:
        self.after, self.waits = after, [0.0][:0]

    def is_set(self) -> bool:
        return len(self.waits) >= self.after

    def wait(self, seconds: float) -> None:
        self.waits.append(round(seconds, 3))


def test_one_output_from_its_turn_until_it_is_seen_off(slept: list[float]) -> None:
    one = a_round()
    one.outputs["psu"] = psu = output(Line(b"0", b"0.0"))
    one.over = over = Over(9)  # type: ignore[assignment]
    one._gates[0].set()
    one._see_off(psu, 0.0, False, 0)
    assert psu.off.is_set()
    assert over.waits == []
    assert psu.line.said == ["open", "REM", "OFF", "SEL 1", "ON?", "AMPS?", "AMPS?", "close"]  # type: ignore[attr-defined]


@pytest.mark.parametrize(("began_s", "waits", "closed"), [(1000.0, [0.1] * 3, 1), (900.0, [9.6, 9.6, 9.6], 4)])
def test_told_again_every_half_second_and_after_ten_every_ten(
    began_s: float, waits: list[float], closed: int, slept: list[float]
) -> None:
    """Looking takes 0.4 s of it. A line that is of no use for so long is given up in between."""
    one = a_round(began_s=began_s)
    one.over = over = Over(3)  # type: ignore[assignment]
    psu = one.outputs["psu"]
    one._see_off(psu, 0.0, False, 0)
    assert (over.waits, psu.tries) == (waits, 3)
    assert psu.line.said.count("CURR 0") == (began_s == 900.0)  # type: ignore[attr-defined]
    assert psu.line.said.count("close") == closed  # type: ignore[attr-defined]


def test_its_turn_comes_after_those_before_it_or_so_long(slept: list[float]) -> None:
    one = a_round(began_s=999.0)
    one.over = Over(0)  # type: ignore[assignment]
    one.alone.set()
    one._gates[2] = gate = Over(9)  # type: ignore[call-overload]
    one._see_off(one.outputs["k1"], 0.0, True, 2)
    assert gate.waits == [0.6]
    assert math.fsum(slept) == pytest.approx(1.0, abs=0.02), "a contactor until 2 s have passed"


def test_a_line_that_the_run_holds_is_left_alone_until_it_is_free(slept: list[float]) -> None:
    one = a_round(shared=False)
    one.alone = alone = Over(9)  # type: ignore[assignment]
    one.over = SimpleNamespace(is_set=lambda: len(alone.waits) >= 2)  # type: ignore[assignment]
    psu = one.outputs["psu"]
    one._see_off(psu, 0.0, False, 0)
    assert alone.waits == [0.5, 0.5], "who waits goes on as soon as it is free"
    assert psu.last == "kept by the run"
    assert psu.line.said == ["close"]  # type: ignore[attr-defined]


def test_a_line_that_does_not_open_before_its_turn_is_tried_in_its_turn(slept: list[float]) -> None:
    one = a_round()
    one.outputs["psu"] = psu = output(Line(b"0", b"0.0", fails=1))
    one._gates[0].set()
    one._see_off(psu, 0.0, False, 0)
    assert psu.off.is_set()


def test_each_has_a_thread_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[Any] = []

    def thread(*, target: Any, args: Any, daemon: bool) -> Any:
        begun.append((args[0], *args[1:], daemon))
        return SimpleNamespace(start=lambda: None)

    one = a_round()
    gates = one._gates
    monkeypatch.setattr(guard_round, "threading", SimpleNamespace(Thread=thread))
    one.begin()
    outputs = one.outputs
    assert begun == [
        (outputs["sink"], 0.0, False, 0, True),
        (outputs["psu"], 0.0, False, 1, True),
        (outputs["k1"], 0.0, True, 2, True),
    ]
    assert [gate.is_set() for gate in gates] == [True, False, False, False]


def test_without_room_for_threads_one_after_the_other(monkeypatch: pytest.MonkeyPatch, slept: list[float]) -> None:
    def no_room(**how: Any) -> None:
        raise RuntimeError("can't start new thread")

    one = a_round()
    monkeypatch.setattr(guard_round, "threading", SimpleNamespace(Thread=no_room))
    one.begin()
    assert [each.tries for each in one.outputs.values()] == [1, 1, 1]
    assert all("ON?" in each.line.said for each in one.outputs.values())  # type: ignore[attr-defined]


# -- the guard ---------------------------------------------------------------------------------------------------------


def a_guard(tmp_path: Path, **more: Any) -> Guard:
    orders = {
        "journal": str(tmp_path / "guard.log"), "gives_up_s": None, "live_notes": [], "kinds": KINDS,
        "serials": {"psu": "123"}, "alarm": ["HEAD", "DO THIS"], "pid": os.getpid(),
        "pid_started": guard_process.started(os.getpid()), "order": {"sink": [("sink", 0.0)], "unknown": []}, **more,
    }  # fmt: skip
    return Guard(orders, pulse(), {name: output(Line(b"1", b"6.0")) for name in KINDS})


@pytest.mark.parametrize(("there", "gone", "seen_to"), [(0, 0, False), (0, 1, True), (1, 0, False), (1, 1, False)])
def test_somebody_has_seen_to_it_once_all_notes_are_gone(there: int, gone: int, seen_to: bool, tmp_path: Path) -> None:
    notes = [tmp_path / f"there-{n}" for n in range(there)] + [tmp_path / f"gone-{n}" for n in range(gone)]
    for note in notes[:there]:
        note.touch()
    assert a_guard(tmp_path, live_notes=list(map(str, notes)))._seen_to() is seen_to


def test_notes_that_cannot_be_looked_at_say_nothing(tmp_path: Path) -> None:
    """Ours: the state folder was wiped, or its disk was gone: "somebody has confirmed off", and the guard gave up."""
    assert not a_guard(tmp_path, live_notes=[str(tmp_path / "wiped" / "note")])._seen_to()
    (tmp_path / "file").touch()
    assert not a_guard(tmp_path, live_notes=[str(tmp_path / "file" / "note")])._seen_to()


def test_nobody_is_there_where_nobody_in_doubt_is(tmp_path: Path) -> None:
    one = a_guard(tmp_path)
    assert not one._nobody_there()
    one.outputs["psu"].nobody_there = one.outputs["sink"].nobody_there = True
    assert not one._nobody_there(), "k1 is"
    one.outputs["k1"].off.set()
    assert one._nobody_there()
    for each in one.outputs.values():
        each.off.set()
    assert not one._nobody_there(), "nothing is in doubt"


def test_what_the_loud_text_says(tmp_path: Path) -> None:
    one = a_guard(tmp_path)
    one.outputs["k1"].off.set()
    one.outputs["psu"].amps, one.outputs["psu"].amps_utc, one.outputs["psu"].tries = 6.0, "now", 4
    assert one.alarm().splitlines() == [
        "HEAD",
        'supply "psu" (serial 123): asked off 4 times; last current: 6.000 A at now; no answer.',
        'load "psu" (serial unknown): asked off 0 times; last current: no answer; no answer.'.replace("psu", "sink"),
        "DO THIS",
        "The guard goes on trying every 10 s.",
    ]


@pytest.mark.parametrize(("took_s", "off", "loud"), [(9.9, False, False), (10.0, False, True), (20.0, True, False)])
def test_loud_once_after_ten_seconds(
    took_s: float, off: bool, loud: bool, tmp_path: Path, slept: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    one = a_guard(tmp_path)
    one._say_loud()
    now = one._new_round(1000.0 - took_s, kept="")
    for each in one.outputs.values():
        each.off.set() if off else None
    one._say_loud()
    one._say_loud()
    assert now.told is loud
    assert capsys.readouterr().err.count("HEAD") == loud


def test_whether_the_run_is_dead(tmp_path: Path) -> None:
    assert not a_guard(tmp_path)._is_dead()
    assert a_guard(tmp_path, pid_started="1")._is_dead(), "its number is another's by now"
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    one = a_guard(tmp_path, pid=child.pid, pid_started=guard_process.started(child.pid))
    one.pidfd = os.pidfd_open(child.pid)
    assert not one._is_dead()
    assert one._fence()
    assert child.wait() == -9
    assert one._is_dead()
    assert one._fence(), "nobody is left to kill"
    os.close(one.pidfd)


def test_killed_where_there_is_no_handle_of_the_process(tmp_path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    one = a_guard(tmp_path, pid=child.pid, pid_started=guard_process.started(child.pid))
    assert one._fence()
    assert child.wait() == -9


def test_another_process_with_its_number_lives_on(tmp_path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    one = a_guard(tmp_path, pid=child.pid, pid_started="1")
    assert one._fence()
    assert child.poll() is None
    child.kill()
    child.wait()


@pytest.mark.parametrize(("off_since_s", "state", "waits_s"), [
    (math.inf, "sink", math.inf), (999.0, guard_pulse.SWITCHING, 2.0), (990.0, guard_pulse.SWITCHING, 0.0),
])  # fmt: skip
def test_how_long_a_run_that_switches_off_is_left_alone(
    off_since_s: float, state: str, waits_s: float, tmp_path: Path, slept: list[float]
) -> None:
    one = a_guard(tmp_path)
    one.pulse.off_since_s, one.pulse.state = off_since_s, state
    assert one.wait_s == waits_s


def test_a_journal_is_written_in_order_and_waited_for(tmp_path: Path) -> None:
    one = Journal(str(tmp_path / "guard.log"))
    for number in range(20):
        one.note("what", number=number)
    one.close(5.0)
    rows = [json.loads(line) for line in (tmp_path / "guard.log").read_text().splitlines()]
    assert [row["number"] for row in rows] == list(range(20))
    assert set(rows[0]) == {"utc", "monotonic_s", "what", "number"}
    Journal(str(tmp_path / "no folder/guard.log")).note("what")
