"""A stop from elsewhere: seen wherever a run waits, told with who asked, and played again by a replay."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import night
import pytest
from night import SHORT, spend
from watched import Running

import harness.run as run_module
from harness import stop_request
from harness.errors import Usage
from harness.folder import RunFolder
from harness.jsonlines import events
from harness.replay import replay
from harness.signals import StopFlag
from harness.stop_request import StopInbox, ask_stop

BY = "the page, from 127.0.0.1"


def _folder(place: Path) -> RunFolder:
    (found,) = place.rglob("events.jsonl")
    return RunFolder.open(found.parent)


@pytest.mark.parametrize("name", SHORT)
@pytest.mark.parametrize("at", [1, 8, 15])
def test_every_procedure_ends_the_safe_way_and_is_replayed(name: str, at: int, tmp_path: Path) -> None:
    def ask(count: int, _sample: Any) -> None:
        if count == at:
            ask_stop(_folder(tmp_path), by=BY)

    night = spend(tmp_path, SHORT[name], each=ask)
    folder = _folder(tmp_path)
    assert (night.exit_code, folder.outcome()) == (20, "stopped")
    (stop,) = (one for one in events(folder) if one["kind"] == "stop")
    assert stop["text"] == f"stopped by a person ({BY})"
    assert replay(folder).differences == ()


@pytest.fixture(name="run")
def _run(tmp_path: Path) -> Running:
    return Running(tmp_path)


def test_nobody_asked(run: Running) -> None:
    assert StopInbox(run.folder).asked_by() == ""
    run.folder.marks.rmdir()
    assert StopInbox(run.folder).asked_by() == ""


@pytest.mark.parametrize(
    ("by", "told"),
    [
        (BY, BY),
        ("", "another terminal"),
        (" \n ", "another terminal"),
        ("\x1b[2J", "\\x1b[2J"),
        ("x" * 500, "x" * stop_request.LONGEST),
    ],
)
def test_who_asked(run: Running, by: str, told: str) -> None:
    flag = StopFlag()
    flag.elsewhere = StopInbox(run.folder).asked_by
    assert not flag.asked()
    ask_stop(run.folder, by=by)
    ask_stop(run.folder, by="somebody later")
    assert (flag.asked(), flag.name, flag.count, flag.signalled) == (True, told, 1, False)
    assert [one.name for one in run.folder.marks.iterdir()] == ["stop.txt"]


def _touched(place: Path) -> None:
    place.touch()


def _linked(place: Path) -> None:
    place.symlink_to("/etc/passwd")


def _dangling(place: Path) -> None:
    place.symlink_to("/nowhere")


def _made_a_folder(place: Path) -> None:
    place.mkdir()


def _piped(place: Path) -> None:
    os.mkfifo(place)


def _garbled(place: Path) -> None:
    place.write_bytes(b"\xff" * 10_000)


@pytest.mark.parametrize("how", [_touched, _linked, _dangling, _made_a_folder, _piped, _garbled])
def test_whatever_lies_there_asks(run: Running, how: Callable[[Path], None]) -> None:
    how(run.folder.marks / "stop.txt")
    told = StopInbox(run.folder).asked_by()
    assert told
    assert "root" not in told
    assert len(told) <= stop_request.LONGEST


def test_a_full_disk_does_not_swallow_it(run: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_words: object, **_how: object) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("builtins.open", full)
    ask_stop(run.folder, by=BY)
    assert StopInbox(run.folder).asked_by() == "another terminal"


def test_where_it_cannot_be_asked_that_is_said(run: Running, tmp_path: Path) -> None:
    run.folder.marks.rmdir()
    run.folder.marks.write_bytes(b"")
    with pytest.raises(Usage, match="the run was NOT told: press Ctrl-C"):
        ask_stop(run.folder, by=BY)
    run.dies()
    with pytest.raises(Usage, match=r"not on \(interrupted\); there is nothing to stop"):
        ask_stop(RunFolder.open(run.folder.path), by=BY)


def test_a_run_that_came_to_its_end_meanwhile_is_not_said_to_have_heard(
    run: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    put = stop_request._put

    def ends_first(place: Path, words: str) -> None:
        run.ends()
        put(place, words)

    monkeypatch.setattr(stop_request, "_put", ends_first)
    with pytest.raises(Usage, match=r"came to its end meanwhile \(finished\)"):
        ask_stop(RunFolder.open(run.folder.path), by=BY)


def test_a_stop_while_the_result_is_written_keeps_the_next_run_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_up, told = run_module.write_up, []

    def late(*words: Any) -> Any:
        ask_stop(_folder(tmp_path), by=BY)
        told.append(write_up(*words))
        return told[0]

    monkeypatch.setattr(run_module, "write_up", late)
    done: list[Any] = []
    ran = run_module.run
    monkeypatch.setattr(night, "run", lambda *words, **how: done.append(ran(*words, **how)) or done[0])
    night.spend(tmp_path, SHORT["capacity"])
    assert told[0].exit_code == 0
    assert done[0].stop_asked == BY
