"""Runs that somebody must stay with: who shows that they are there goes on, who does not finds everything off.

Time is virtual. Who presses the key is the simulated bench's own person, or the fake one of a fake terminal.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from night import SHORT, Night, Short, facts, judge, spend, truly_off

import harness.run
from harness.errors import PreflightRefused
from harness.folder import RunFolder
from harness.keyboard import HASTE_S, REPEAT_S
from harness.marks import drop_mark
from harness.person import AtTheTerminal
from harness.presence import ASKED_S, MOST_S
from harness.screen import Screen
from harness.voice import VOICE
from sims.happenings import Happening

LONG = Short("capacity", 0.5, ("charge_first=false", "rate_it=0.4", "rest_s=1200"), "load")
"""Twenty minutes at rest before anything is on: time enough for somebody to leave, and not many samples."""


# -- whole runs --------------------------------------------------------------------------------------------------------


def happens(*what: tuple[float, str]) -> Any:
    return replace(facts(LONG), happens=tuple(Happening(at_s, order) for at_s, order in what))


def test_who_stays_is_not_disturbed(tmp_path: Path) -> None:
    comes_and_goes = ((30.0, "leave"), (500.0, "return"), (590.0, "leave"), (1000.0, "return"))
    night = spend(tmp_path, LONG, scenario=happens(*comes_and_goes), each=ends_after(1160))
    assert night.exit_code == 20, night.result.end_reason
    asked = [(event["unwatched_s"], event["asked"]) for event in night.events("present")]
    assert [times for _, times in asked] == [2, 1, 1][: len(asked)]
    assert all(ASKED_S[0] < seconds < MOST_S for seconds, _ in asked)
    assert len(asked) == 2
    assert judge(night) == []


def ends_after(count: int) -> Callable[[int, Any], None]:
    import signal

    return lambda number, _sample: signal.raise_signal(signal.SIGINT) if number == count else None


def test_who_leaves_finds_everything_off(tmp_path: Path) -> None:
    night = spend(tmp_path, replace(LONG, sets=(*LONG.sets[:2], "rest_s=2")), scenario=happens((30.0, "leave")))
    gone(night)
    off_at = max(at for at, _ in night.off_at())
    assert MOST_S < off_at < MOST_S + 12.0
    assert len(night.on_at()) == 1, "and is not switched on again"


@pytest.mark.slow
def test_who_leaves_at_rest_finds_nothing_switched_on(tmp_path: Path) -> None:
    night = spend(tmp_path, LONG, scenario=happens((30.0, "leave")))
    gone(night)
    assert night.on_at() == []


def test_a_ups_too_is_stayed_with(tmp_path: Path) -> None:
    """With its mains on before it goes over to the stand-in: mains and all else go off."""
    floor = SHORT["voltage-floor"]
    kept = tuple(one for one in floor.sets if not one.startswith("mains_wait_s="))
    short = replace(floor, sets=(*kept, "mains_wait_s=900"))
    scenario = replace(facts(short), happens=(Happening(5.0, "leave"),))
    night = spend(tmp_path, short, scenario=scenario)
    assert night.exit_code == 21, night.why
    assert night.result.end_reason.startswith("nobody there: no Enter at the terminal for ")
    assert "a UPS hangs on the bench" in night.result.end_reason
    assert "--unattended" not in night.result.end_reason, "nothing would make it pass"
    assert truly_off(night.world)
    assert not night.world.ups.mains_on


def gone(night: Night) -> None:
    assert (night.exit_code, night.result.outcome) == (21, "tripped"), night.why
    reason = night.result.end_reason
    assert reason.startswith("nobody there: no Enter at the terminal for 60")
    assert "limit 600 s; somebody must stay: a cell driven under its floor: one barrier outside the computer" in reason
    assert "cheapest: let it act once: a run --unattended trips it first" in reason
    assert reason.endswith("on a bench that passes its table --unattended needs nobody")
    assert truly_off(night.world)
    assert judge(night) == []


def test_a_bench_that_passes_its_table_asks_for_no_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The load's stop was seen to act, the rate is small: then somebody may sit there without pressing anything."""
    monkeypatch.setattr("harness.stops_seen.seen", lambda *_one, **_more: "2025-01-01")
    short = replace(LONG, sets=("charge_first=false", "rate_it=0.2", "rest_s=900"))
    night = spend(tmp_path, short, scenario=happens((5.0, "leave")), each=ends_after(620))
    assert night.exit_code == 20, night.why
    assert night.events("present") == []


# -- at a terminal -----------------------------------------------------------------------------------------------------


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


Keys = Callable[[str], None]
Screens = Callable[..., tuple[Screen, Terminal]]


@pytest.fixture
def keys(monkeypatch: pytest.MonkeyPatch) -> Iterator[Keys]:
    """A fake terminal; what is handed over comes out of its keyboard."""
    read, write = os.pipe()
    with open(read, encoding="utf-8") as reader, open(write, "w", encoding="utf-8") as writer:
        monkeypatch.setattr(sys, "stdin", reader)
        for module in ("harness.screen", "harness.asking"):
            monkeypatch.setattr(f"{module}.interactive", lambda: True)

        def types(text: str) -> None:
            writer.write(text)
            writer.flush()

        yield types


@pytest.fixture
def screens(keys: Keys, monkeypatch: pytest.MonkeyPatch) -> Screens:
    """Makes a screen on a terminal, and hands over what is written there too."""

    def make(wall: Callable[[], float] = lambda: 0.0) -> tuple[Screen, Terminal]:
        terminal = Terminal()
        monkeypatch.setattr(sys, "stderr", terminal)
        return Screen(wall=wall), terminal

    return make


def shown(terminal: Terminal) -> str:
    VOICE.flush(20.0)
    return terminal.getvalue()


def test_every_line_shows_that_somebody_is_there(keys: Keys) -> None:
    screen = Screen(wall=lambda: 0.0)
    assert screen.can_hear()
    assert not screen.heard()
    for line, mark in (("\n", ()), ("window open\n", ("window open",)), ("  \n", ())):
        keys(line)
        assert screen.heard()
        assert not screen.heard(), "each once"
        assert screen.warned() == mark
    keys("seen by the marks first\n")
    assert screen.warned() == ("seen by the marks first",)
    assert screen.heard()


def test_the_bell_and_the_word(keys: Keys, screens: Screens) -> None:
    screen, terminal = screens()
    screen.wanted("STILL THERE? Press Enter")
    assert shown(terminal) == "\a>>> STILL THERE? Press Enter\n"
    keys("\n")
    assert screen.heard()
    assert shown(terminal).endswith("Press Enter\nheard\n")


def test_one_enter_is_not_taken_for_another(keys: Keys, screens: Screens) -> None:
    """The key pressed to be seen must not say that the mains have been switched; nor the reverse be lost."""
    now = [100.0]
    screen, terminal = screens(lambda: now[0])
    keys("\n")
    screen.ordered("mains on")
    assert not screen.has_done(), "pressed before it was asked"
    now[0] += 0.5 * HASTE_S
    keys("\n")
    assert not screen.has_done(), "nobody is so quick"
    assert "shows nobody: let the key go" in shown(terminal)
    now[0] += REPEAT_S
    screen.ordered("mains on")
    now[0] += 0.5 * HASTE_S
    keys("\n")
    assert not screen.has_done(), "nor so quick after it was asked"
    assert "too soon" in shown(terminal)
    screen.wanted("STILL THERE? Press Enter")
    assert "if this is not done yet: Switch the UPS's mains ON" in " ".join(shown(terminal).split())
    now[0] += 60.0
    keys("on my way\n")
    assert screen.heard()
    assert not screen.has_done(), "a remark says that somebody is there, and no more"
    assert screen.warned() == ("on my way",)
    keys("\n")
    assert screen.heard(), "it shows that somebody is there"
    assert screen.has_done(), "and that it is done"
    assert not screen.has_done()


def at_a_terminal(
    screen: Screen,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    each: Callable[[int, Any, RunFolder | None], None],
) -> Night:
    """A run in memory whose person sits at the terminal of this test."""
    from night import _Watch

    monkeypatch.setattr(harness.run, "_person", lambda *_: AtTheTerminal(screen))
    monkeypatch.setattr(_Watch, "can_hear", lambda _self: True)
    folders: list[RunFolder] = []
    started = _Watch.started

    def begun(self: _Watch, ready: Any, folder: RunFolder) -> None:
        folders.append(folder)
        started(self, ready, folder)

    monkeypatch.setattr(_Watch, "started", begun)
    return spend(tmp_path, LONG, each=lambda number, sample: each(number, sample, folders[0]))


def test_enter_now_and_then_keeps_a_run_going(
    keys: Keys, screens: Screens, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def each(number: int, _sample: Any, _folder: RunFolder | None) -> None:
        now[0] = float(number)
        if number in (500, 590):
            keys("\n")
        ends_after(1130)(number, None)

    now = [0.0]
    night = at_a_terminal(screens(lambda: now[0])[0], tmp_path, monkeypatch, each)
    assert night.exit_code == 20, night.why
    assert [event["asked"] for event in night.events("present")] == [1, 0]


def test_a_remark_from_elsewhere_is_no_key(
    keys: Keys, screens: Screens, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def each(number: int, _sample: Any, folder: RunFolder | None) -> None:
        if number == 400:
            assert folder is not None
            drop_mark(str(folder.path), "all well, by remote shell")

    screen, terminal = screens()
    night = at_a_terminal(screen, tmp_path, monkeypatch, each)
    assert night.exit_code == 21, night.why
    assert "nobody there" in night.why
    assert [event["text"] for event in night.events("mark")] == ["all well, by remote shell"]
    assert night.events("present") == []
    assert shown(terminal).count("\a>>> STILL THERE?") == len(ASKED_S)


def test_a_real_bench_without_a_terminal_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from harness.rig import Rig

    monkeypatch.setattr(harness.run, "_person", lambda _ready, _connection, watcher: AtTheTerminal(watcher))
    monkeypatch.setattr(Rig, "simulated", property(lambda _self: False, lambda _self, _value: None))

    night = spend(tmp_path, LONG)
    assert isinstance(night.refusal, PreflightRefused), night.why
    assert night.exit_code == 11
    assert "press Enter every 10 minutes" in str(night.refusal)
    assert "of a terminal" in str(night.refusal)
    assert "cheapest: let it act once" in str(night.refusal)
    assert night.on_at() == []
    assert "\n" not in str(night.refusal)
