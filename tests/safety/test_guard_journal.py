"""The guard's journal and its voice: whoever cannot write keeps nobody waiting, and what is written is on the disk."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness import guard_journal
from harness.guard_journal import Journal, aloud, clock

TIME = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ"


class Threads:
    """Threads of which the first ``no_room`` cannot be started; ``runs`` has the others run at once."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, no_room: int = 0, runs: bool = False) -> None:
        self.no_room, self.runs = no_room, runs
        self.began: list[dict[str, Any]] = []
        self.waits: list[float] = []
        monkeypatch.setattr(guard_journal, "threading", SimpleNamespace(Thread=self._thread))

    def _thread(self, **how: Any) -> Any:
        def start() -> None:
            if self.no_room:
                self.no_room -= 1
                raise RuntimeError("can't start new thread")
            self.began.append(how)
            if self.runs:
                how["target"](*how.get("args", ()))

        return SimpleNamespace(start=start, join=self.waits.append)


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_one_thread_writes_all_and_does_not_keep_the_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    threads = Threads(monkeypatch)
    one = Journal(str(tmp_path / "log"))
    one.note("one")
    one.note("two")
    assert threads.began == [{"target": one._write_all, "daemon": True}]
    one.close(5.0)
    assert threads.waits == [5.0]


def test_it_ends_with_its_last_line(tmp_path: Path) -> None:
    one = Journal(str(tmp_path / "log"))
    one.note("what")
    one.close(1.0)
    assert one._thread is not None
    assert not one._thread.is_alive()


def test_a_journal_of_nothing(tmp_path: Path) -> None:
    Journal(str(tmp_path / "log")).close(5.0)
    assert not (tmp_path / "log").exists()


def test_without_room_for_a_thread_it_is_tried_with_the_next_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads = Threads(monkeypatch, no_room=2)
    one = Journal(str(tmp_path / "log"))
    for what in ("one", "two"):
        one.note(what)
        assert threads.began == []
    one.close(5.0)
    assert threads.waits == [], "nobody writes: nobody is waited for"
    again = Journal(str(tmp_path / "log"))
    threads.no_room = 1
    again.note("one")
    again.note("two")
    again._rows.put(None)
    threads.began[0]["target"]()
    assert [row["what"] for row in lines(tmp_path / "log")] == ["one", "two"]


def test_what_a_line_says_and_that_it_is_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, synced = tmp_path / "log", [""][:0]
    real = guard_journal.time
    how = SimpleNamespace(monotonic=lambda: 1.23456789, strftime=real.strftime, gmtime=real.gmtime)
    monkeypatch.setattr(guard_journal, "time", how)
    monkeypatch.setattr(os, "fsync", lambda number: synced.append(path.read_text(encoding="utf-8")))
    Threads(monkeypatch)
    one = Journal(str(path))
    one.note("what", why="because")
    one.note("more")
    one.close(5.0)
    one._write_all()
    first, second = lines(path)
    assert re.fullmatch(TIME, first.pop("utc"))
    assert first == {"monotonic_s": 1.2346, "what": "what", "why": "because"}
    assert second["what"] == "more"
    assert [len(each.splitlines()) for each in synced] == [1, 2], "each is in the file when the disk is asked for it"


def test_the_time_as_it_is_written() -> None:
    assert re.fullmatch(TIME, clock())


# -- aloud -------------------------------------------------------------------------------------------------------------


def test_a_terminal_is_waited_for_a_fifth_of_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    threads = Threads(monkeypatch)
    aloud("text")
    assert threads.began == [{"target": guard_journal._say, "args": ("text\n",), "daemon": True}]
    assert threads.waits == [0.2]


def test_without_room_for_a_thread_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    threads = Threads(monkeypatch, no_room=1)
    aloud("text")
    assert threads.waits == []


def test_all_of_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe may take less than it is given."""
    taken: list[bytes] = []

    def write(number: int, data: bytes) -> int:
        taken.append(data[:4])
        return len(data[:4])

    monkeypatch.setattr(os, "write", write)
    monkeypatch.setattr("sys.stderr", SimpleNamespace(fileno=lambda: 99))
    guard_journal._say("*** \u00e4\udc80 ***\n")
    assert b"".join(taken) == b"*** \xc3\xa4\\udc80 ***\n"


@pytest.mark.parametrize("error", [BrokenPipeError(), OSError("gone")])
def test_a_terminal_that_is_gone(error: OSError, monkeypatch: pytest.MonkeyPatch) -> None:
    def write(number: int, data: bytes) -> int:
        raise error

    monkeypatch.setattr(os, "write", write)
    monkeypatch.setattr("sys.stderr", SimpleNamespace(fileno=lambda: 99))
    guard_journal._say("text\n")


def test_a_stream_that_was_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open(tmp_path / "said", "w", encoding="utf-8") as closed:
        pass
    monkeypatch.setattr("sys.stderr", closed)
    guard_journal._say("text\n")
