"""Edges of what the guard does when it acts: how it kills, whom it wakes, what it writes; each value by hand."""

from __future__ import annotations

import json
import math
import os
import signal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import test_guard_acts as acts
from guard_fakes import Line, message, output
from test_guard_acts import FakeRound, said, switching
from test_guard_parts import Over, a_guard, a_round

from harness import guard_acting
from harness.guard_acting import Guard, _taken_away

guard = acts.guard


def rows(guard: Guard) -> list[dict[str, Any]]:
    guard.journal.close(5.0)
    return [json.loads(line) for line in Path(guard.orders["journal"]).read_text().splitlines()]


# -- the fence ---------------------------------------------------------------------------------------------------------


class Killing:
    """Who was killed by which way; ``dead`` is what is found in turn, the last for ever."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, guard: Guard, *dead: bool, error: Exception | None = None):
        self.dead, self.looks, self.killed = list(dead), 0, [("", 0, 0)][:0]
        self._error = error
        monkeypatch.setattr(guard, "_is_dead", self._is_dead)
        monkeypatch.setattr(signal, "pidfd_send_signal", lambda fd, number: self._kill("handle", fd, number))
        monkeypatch.setattr(os, "kill", lambda pid, number: self._kill("number", pid, number))

    def _kill(self, how: str, whom: int, number: int) -> None:
        self.killed.append((how, whom, number))
        if self._error:
            raise self._error

    def _is_dead(self) -> bool:
        self.looks += 1
        assert self.looks < 1000, "it waits for ever"
        return self.dead.pop(0) if len(self.dead) > 1 else self.dead[0]


@pytest.mark.parametrize(("pidfd", "way"), [(-1, ("number", 42)), (0, ("handle", 0)), (7, ("handle", 7))])
def test_killed_by_its_handle_where_there_is_one(
    pidfd: int, way: tuple[str, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slept: list[float]
) -> None:
    one = a_guard(tmp_path, pid=42)
    killing = Killing(monkeypatch, one, False, False, True)
    one.pidfd = pidfd
    assert one._fence() is True
    assert killing.killed == [(*way, signal.SIGKILL)]
    assert slept == [0.001]


def test_a_run_that_cannot_be_killed_is_waited_for_half_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slept: list[float]
) -> None:
    one = a_guard(tmp_path)
    killing = Killing(monkeypatch, one, False)
    assert one._fence() is False
    assert len(killing.killed) == 1
    assert slept == [0.001] * 500


@pytest.mark.parametrize("error", [ProcessLookupError(), PermissionError()])
def test_a_run_that_dies_of_itself_meanwhile(
    error: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slept: list[float]
) -> None:
    one = a_guard(tmp_path)
    Killing(monkeypatch, one, False, True, error=error)
    assert one._fence() is True


@pytest.mark.parametrize(("pidfd", "ready", "dead"), [(0, True, True), (0, False, False), (7, True, True)])
def test_a_handle_tells_whether_it_is_dead(
    pidfd: int, ready: bool, dead: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []

    def select(*what: Any) -> tuple[list[int], list[int], list[int]]:
        asked.append(what)
        return ([pidfd] if ready else []), [], []

    monkeypatch.setattr(guard_acting, "select", SimpleNamespace(select=select))
    one = a_guard(tmp_path, pid_started="its number is another's by now")
    assert one.pidfd < 0, "there is none until there is one"
    assert one._is_dead() is True
    assert asked == []
    one.pidfd = pidfd
    assert one._is_dead() is dead
    assert asked == [((pidfd,), (), (), 0)], "looked at, not waited for"


# -- beside the run ----------------------------------------------------------------------------------------------------


def test_help_that_takes_too_long_is_said_aloud(guard: Guard, capsys: pytest.CaptureFixture[str]) -> None:
    FakeRound.looks = 10**6
    switching(guard, 990.0)
    guard.beside()
    assert "HEAD" not in capsys.readouterr().err
    FakeRound.made[0].took_s = 10.0
    guard.beside()
    guard.beside()
    assert capsys.readouterr().err.count("HEAD") == 1
    assert said(guard) == ["beside the run", "not confirmed"]
    assert rows(guard)[1]["text"] == guard.alarm()


def test_what_was_seen_off_is_not_called_off_once_more(guard: Guard) -> None:
    switching(guard, 990.0)
    guard.beside()
    FakeRound.made[0].asked = 99
    guard.beside()
    guard.pulse.state, guard.pulse.off_since_s = "rest", math.inf
    assert guard.wait_s == 0.05, "the next turn lets go of it"
    guard.beside()
    assert guard.round is None
    assert said(guard) == ["beside the run", "seen off, beside the run"]


def test_time_beside_the_run_counts_from_its_first_order(guard: Guard) -> None:
    switching(guard, 1000.0 - 7.87654321)
    guard.beside()
    FakeRound.made[0].asked = 99
    guard.beside()
    assert [row.get("took_s") for row in rows(guard)] == [None, 7.8765]


# -- in its place ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("how", "dies", "killed"),
    [({}, True, True), ({}, False, False), ({"fence": False}, True, False), ({"fence": False}, False, False)],
)
def test_whether_it_killed_the_run(
    how: dict[str, bool], dies: bool, killed: bool, guard: Guard, monkeypatch: pytest.MonkeyPatch, slept: list[float]
) -> None:
    monkeypatch.setattr(guard, "_fence", lambda: dies)
    monkeypatch.setattr(guard, "_is_dead", lambda: False)
    guard.act("why", **how)
    row = rows(guard)[0]
    assert (row["what"], row["why"], row["killed"], row["order"]) == ("acting", "why", killed, ["psu"])
    assert set(slept) == {0.01}, "it looks a hundred times a second"


@pytest.mark.parametrize(("fence", "dead", "alone"), [(True, True, True), (True, False, False), (False, True, False)])
def test_who_was_killed_gives_its_lines_up_once_it_is_dead(
    fence: bool, dead: bool, alone: bool, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "_is_dead", lambda: dead)
    now = guard._new_round(1000.0, kept="")
    assert guard._until_off(now, fence) == "off confirmed"
    assert now.alone.is_set() is alone


def test_in_its_place_it_is_said_aloud_too(guard: Guard, capsys: pytest.CaptureFixture[str]) -> None:
    now = guard._new_round(900.0, kept="")
    now.took_s = 10.0  # type: ignore[misc]
    assert guard._until_off(now, True) == "off confirmed"
    assert capsys.readouterr().err.count("HEAD") == 1


@pytest.mark.parametrize(("told", "seen_to", "ends"), [(False, True, False), (True, False, False), (True, True, True)])
def test_nobody_has_confirmed_what_nobody_was_told(
    told: bool, seen_to: bool, ends: bool, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "_seen_to", lambda: seen_to)
    now = guard._new_round(1000.0, kept="")
    now.told = told
    assert guard._until_off(now, True) == ("somebody has confirmed off" if ends else "off confirmed")


def test_times_are_written_to_a_tenth_of_a_millisecond(guard: Guard) -> None:
    guard.began_s = 1000.0 - 0.87654321
    guard._tell_end("word")
    assert rows(guard)[0]["took_s"] == 0.8765


def test_a_note_that_is_there_was_not_taken_away(tmp_path: Path) -> None:
    (tmp_path / "note").touch()
    assert _taken_away(str(tmp_path / "note")) is False
    assert _taken_away(str(tmp_path / "note" / "in a file")) is False
    assert _taken_away(str(tmp_path / "gone")) is True


# -- a round, an output ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("begin", [[], [message("REM")]])
@pytest.mark.parametrize(("shared", "opened"), [(True, True), (False, False)])
def test_a_line_is_opened_before_its_turn_comes(
    shared: bool, opened: bool, begin: list[Any], slept: list[float]
) -> None:
    one = a_round(shared=shared)
    one.outputs["sink"].told["begin"] = begin
    one.over = Over(0)  # type: ignore[assignment]
    sink, before = one.outputs["sink"], [False][:0]
    gate = SimpleNamespace(wait=lambda wait_s: before.append(sink.line.is_open), set=lambda: None)
    one._gates[1] = gate  # type: ignore[call-overload]
    one._see_off(sink, 0.0, False, 1)
    assert before == [opened]


@pytest.mark.parametrize("hold_s", [0.0, 0.5])
def test_who_is_no_contactor_waits_for_nobody(hold_s: float, slept: list[float]) -> None:
    one = a_round()
    one.alone.set()
    one._wait_turn(hold_s, False)
    assert math.fsum(slept) == hold_s


class Closes(Line):
    """A line that closes where an answer is missing: its answer may still come, to the next question."""

    def send(self, data: bytes) -> None:
        assert self.is_open, "nothing can be said on a line that is closed"
        super().send(data)

    def ask(self, data: bytes) -> bytes:
        assert self.is_open
        reply = super().ask(data)
        if not reply:
            self.close()
        return reply


def test_off_is_sent_to_who_does_not_answer_what_comes_before_it(slept: list[float]) -> None:
    """Ours: where orders are answered, and the first was not in time, HiSLIP, VXI-11 and USB closed their line, and
    off was said to nobody."""
    line = Closes(b"")
    one = output(line, begin=[message("REM", True), message("SEL 1", True)], off=[message("OFF", True)])
    assert one.switch_off() is True
    assert line.said == ["open", "REM", "close", "open", "SEL 1", "close", "open", "OFF", "close"]
    assert (one.tries, one.last) == (1, "no answer")


def test_who_is_asked_with_nothing_before_it(slept: list[float]) -> None:
    asked = {"messages": [message("ON?", True)], "off_replies": ["0"], "on_replies": ["1"], "bit": None, "form": "(.+)"}
    line = Closes(b"0")
    one = output(line, begin=[], ask=asked, amps=None)
    one.look()
    assert one.off.is_set(), one.last
    assert line.said == ["open", "ON?"]


def test_who_does_not_answer_the_choice_of_a_channel_is_asked_all_the_same(slept: list[float]) -> None:
    told = {"messages": [message("SEL 1", True), message("ON?", True)], "off_replies": ["0"], "on_replies": ["1"]}
    line = Closes(b"", b"0")
    one = output(line, begin=[], ask=told | {"bit": None, "form": "(.+)"}, amps=None)
    one.look()
    assert one.off.is_set(), one.last
    assert line.said == ["open", "SEL 1", "close", "open", "ON?"]
