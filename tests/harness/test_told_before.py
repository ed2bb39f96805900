"""In the last moment before anything is switched on: what rests on one barrier is named, in red; a computer that may go
off leaves nothing alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

import harness.run
import harness.unattended
from harness.barriers import Tried
from harness.briefing import one_screen
from harness.errors import PreflightRefused
from harness.host import NOT_AWAKE
from harness.job import Job, Ready, Watcher, prepare
from harness.lines import wrapped
from harness.preflight_check import Check
from harness.procedure import procedures
from harness.screen import PLAIN, RED, Screen
from harness.tape import Tape
from harness.unattended import Cleared, by_files, clear_to_leave

BATTERY = Check("computer", "note", "runs on its battery: when that is empty nobody looks any more; plug it in")


@pytest.fixture
def ready(files: Callable[..., Any]) -> Ready:
    bench = files()
    return prepare(Job(procedures()["capacity"], bench.bench, bench.pack))


def left_alone(ready: Ready, unattended: bool = True) -> Ready:
    return replace(ready, job=replace(ready.job, unattended=unattended))


def test_what_rests_on_one_barrier_is_named(ready: Ready, files: Any) -> None:
    told = " ".join(wrapped(one_screen(ready, by_files(ready))).split())
    assert "on fewer than two of these: a cell over-charged; a hot or loose joint in this computer" in told
    bench = files("porch")
    only_out = prepare(Job(procedures()["capacity"], bench.bench, bench.pack, sets=("charge_first=false",)))
    assert "on fewer than two of these: nothing" in " ".join(one_screen(only_out, by_files(only_out)))


class Heard:
    """A voice that is listened to."""

    def __init__(self) -> None:
        self.text = ""

    def start(self) -> None: ...

    def say(self, text: str, *, progress: bool = False) -> None:
        self.text += text


@pytest.mark.parametrize(
    ("terminal", "unattended", "no_color", "red"),
    [(True, False, False, True), (True, True, False, False), (True, False, True, False), (False, False, False, False)],
)
def test_red_where_somebody_must_stay(
    terminal: bool, unattended: bool, no_color: bool, red: bool, ready: Ready, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    if no_color:
        monkeypatch.setenv("NO_COLOR", "1")
    voice: Any = Heard()
    screen = Screen(wall=lambda: 0.0, voice=voice)
    screen._terminal = terminal
    screen.before_energising(left_alone(ready, unattended), by_files(ready))
    assert "ABOUT TO BE SWITCHED ON" in voice.text
    assert (voice.text.startswith(RED), voice.text.endswith(PLAIN)) == (red, red)
    assert ("\x1b" in voice.text) is red


def test_on_its_battery_it_is_refused_before_anybody_types(ready: Ready, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(harness.unattended, "by_instruments", lambda *_, **__: Tried())
    monkeypatch.setattr(harness.unattended, "refuse_unattended", lambda *_: None)
    monkeypatch.setattr(harness.unattended, "computer_checks", lambda clock: (BATTERY,))
    rig: Any = SimpleNamespace(simulated=False, drivers={})
    nobody: Any = object()
    with pytest.raises(PreflightRefused, match="--unattended: computer: runs on its battery"):
        clear_to_leave(left_alone(ready), rig, nobody, now=lambda: datetime(2026, 3, 1, tzinfo=UTC), stopped=bool)


@pytest.mark.parametrize("unattended", [True, False])
def test_that_nothing_keeps_it_awake(unattended: bool, ready: Ready, monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def falls_asleep(*, wanted: bool) -> Iterator[str]:
        yield f"{NOT_AWAKE}: nothing here does it"

    told: list[str] = []
    begun: list[tuple[Check, ...]] = []
    for name, stands_in in {
        "_person": lambda *_: None,
        "wire_up": lambda *_: None,
        "_look": lambda *_: (),
        "allow": lambda *_, **__: Cleared(Tried()),
        "kept_awake": falls_asleep,
        "_recorded": lambda *given: begun.append(given[5]),
    }.items():
        monkeypatch.setattr(harness.run, name, stands_in)
    watcher = Watcher()
    monkeypatch.setattr(watcher, "say", told.append, raising=False)
    connection: Any = SimpleNamespace(rig=SimpleNamespace(simulated=False), clock=SimpleNamespace(tape=Tape()))
    flag: Any = SimpleNamespace(asked=lambda: False, name="")
    given: Any = (left_alone(ready, unattended), connection, None, None, flag, watcher)
    if unattended:
        with pytest.raises(PreflightRefused, match=f"{NOT_AWAKE}.*nothing was switched on"):
            harness.run._looked_at(*given)
        assert begun == []
    else:
        harness.run._looked_at(*given)
        assert [check.text for check in begun[0]] == [f"{NOT_AWAKE}: nothing here does it"]
        assert told == [f"note: computer: {NOT_AWAKE}: nothing here does it"]
