"""When the guard acts, beside a run that lives or in its place, and how it ends; with a round of switching off that
only writes down what it is told."""

from __future__ import annotations

import json
import math
import threading
from pathlib import Path
from typing import Any

import pytest
from test_guard_parts import a_guard

from harness import guard_acting
from harness.guard_acting import ALIVE, UNKILLABLE, Guard
from harness.guard_pulse import SWITCHING


class FakeRound:
    """``looks``: how often it is asked before all are off."""

    made: list[FakeRound]
    looks = 3

    def __init__(self, orders: Any, state: str, outputs: Any, *, began_s: float, kept: str) -> None:
        self.state, self.began_s, self.kept = state, began_s, kept
        self.alone, self.over = threading.Event(), threading.Event()
        self.begun, self.told, self.asked, self.names = 0, False, 0, ["psu"]
        self.took_s = 0.0
        FakeRound.made.append(self)

    def begin(self) -> None:
        self.begun += 1

    @property
    def all_off(self) -> bool:
        self.asked += 1
        return self.asked > self.looks


@pytest.fixture
def guard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slept: list[float]) -> Guard:
    FakeRound.made, FakeRound.looks = [], 3
    monkeypatch.setattr(guard_acting, "Round", FakeRound)
    one = a_guard(tmp_path)
    one.pulse.doing = "sink"
    monkeypatch.setattr(one, "_fence", lambda: True)
    return one


def switching(guard: Guard, since_s: float) -> None:
    guard.pulse.state, guard.pulse.off_since_s = SWITCHING, since_s


def said(guard: Guard) -> list[str]:
    guard.journal.close(5.0)
    path = Path(guard.orders["journal"])
    return [json.loads(line)["what"] for line in path.read_text().splitlines()] if path.exists() else []


def test_a_run_that_takes_its_time_is_left_alone_and_then_helped(guard: Guard) -> None:
    switching(guard, 997.5)
    guard.beside()
    assert guard.round is None, "2.5 s"
    assert guard.wait_s == 0.5
    switching(guard, 997.0)
    guard.beside()
    (one,) = FakeRound.made
    assert (one.began_s, one.kept, one.begun, one.state) == (997.0, ALIVE, 1, "sink")
    assert guard.wait_s == 0.05
    FakeRound.looks = 99
    guard.beside()
    assert not one.over.is_set()
    assert len(FakeRound.made) == 1
    assert said(guard) == ["beside the run"]


def test_help_ends_once_all_are_seen_off_and_is_said_once(guard: Guard) -> None:
    switching(guard, 990.0)
    guard.beside()
    (one,) = FakeRound.made
    one.asked = 99
    guard.beside()
    assert one.over.is_set()
    assert guard.wait_s == 60.0
    guard.beside()
    assert len(FakeRound.made) == 1
    assert said(guard) == ["beside the run", "seen off, beside the run"]


def test_help_ends_when_the_run_has_seen_it_off_itself(guard: Guard) -> None:
    switching(guard, 990.0)
    guard.beside()
    (one,) = FakeRound.made
    guard.pulse.state, guard.pulse.off_since_s = "rest", math.inf
    guard.beside()
    assert one.over.is_set()
    assert guard.round is None
    assert said(guard) == ["beside the run", "no longer beside the run"]


def test_in_the_place_of_a_run_that_is_dead(guard: Guard) -> None:
    old = guard.outputs["psu"]
    guard.act("the run is gone")
    (one,) = FakeRound.made
    assert (one.began_s, one.kept, one.begun) == (1000.0, UNKILLABLE, 1)
    assert one.alone.is_set()
    assert guard.outputs["psu"] is not old, "nothing is known of it any more"
    assert said(guard) == ["acting", "off confirmed"]


@pytest.mark.parametrize(("fence", "killed", "alone"), [(True, False, False), (False, False, True), (True, True, True)])
def test_who_holds_the_lines(
    fence: bool, killed: bool, alone: bool, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(guard, "_fence", lambda: asked.append(1) or killed)
    monkeypatch.setattr(guard, "_is_dead", lambda: False)
    guard.act("why", fence=fence)
    assert FakeRound.made[0].alone.is_set() is alone
    assert len(asked) == fence, "a run that has the screen is not killed"


def test_a_run_that_dies_at_last_gives_its_lines_up(guard: Guard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "_fence", lambda: False)
    monkeypatch.setattr(guard, "_is_dead", lambda: True)
    guard.act("why")
    assert FakeRound.made[0].alone.is_set()


def test_what_was_begun_beside_the_run_goes_on_in_its_place(guard: Guard) -> None:
    switching(guard, 990.0)
    guard.beside()
    guard.act("no beat")
    (one,) = FakeRound.made
    assert (one.begun, one.kept, one.alone.is_set()) == (1, UNKILLABLE, True)
    assert said(guard) == ["beside the run", "acting", "off confirmed"]


def test_what_was_over_beside_the_run_begins_anew(guard: Guard) -> None:
    switching(guard, 990.0)
    guard.beside()
    FakeRound.made[0].over.set()
    guard.act("no beat")
    assert [one.begun for one in FakeRound.made] == [1, 1]


def test_somebody_has_confirmed_it(guard: Guard, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    FakeRound.looks = 10**6
    guard.orders["live_notes"] = [str(tmp_path / "gone")]
    now = guard._new_round(900.0, kept="")
    now.took_s = 10.0  # type: ignore[misc]
    assert guard._until_off(now, False) == "somebody has confirmed off"
    assert "HEAD" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("most_s", "took_s", "nobody"), [(3.0, 3.1, True), (3.0, 3.1, False), (3.0, 3.0, True), (None, 9.0, True)]
)
def test_a_simulated_bench_that_is_gone_is_given_up(
    most_s: float | None, took_s: float, nobody: bool, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard.orders["gives_up_s"] = most_s
    monkeypatch.setattr(guard, "_nobody_there", lambda: nobody)
    now = guard._new_round(1000.0, kept="")
    now.took_s = took_s  # type: ignore[misc]
    gave_up = most_s is not None and took_s > most_s and nobody
    assert guard._until_off(now, False).startswith("gave up" if gave_up else "off confirmed")


def test_how_long_it_took_and_what_was_said(guard: Guard) -> None:
    guard.began_s = 998.5
    guard.outputs["psu"].sent_s = 0.25
    guard._tell_end("word")
    guard.journal.close(5.0)
    row = json.loads(Path(guard.orders["journal"]).read_text())
    assert row["took_s"] == 1.5
    assert row["outputs"]["psu"] == {"sent_s": 0.25, "said": "no answer"}
    assert row["outputs"]["sink"]["sent_s"] is None
    assert row["how"] == "by the instruments' own word"
