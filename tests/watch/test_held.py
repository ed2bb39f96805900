"""A run seen by others: those who may only read, and several at once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from watched import Running

from harness import held
from harness.folder import INTERRUPTED, RUNNING, RunFolder

posix = pytest.mark.skipif(held.fcntl is None, reason="POSIX locks")


@posix
def test_whoever_may_only_read_sees_that_it_is_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run, opened = Running(tmp_path), os.open

    def read_only(place: Any, flags: int, *more: Any, **how: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            raise PermissionError(13, "Permission denied")
        return opened(place, flags, *more, **how)

    monkeypatch.setattr(os, "open", read_only)
    seen = RunFolder.open(run.folder.path)
    assert seen.outcome() == RUNNING
    run.dies()
    assert seen.outcome() == INTERRUPTED


@posix
def test_two_who_look_at_once_do_not_take_each_other_for_the_run(tmp_path: Path) -> None:
    run = Running(tmp_path)
    run.dies()
    place = run.folder.path / ".running"
    descriptor = os.open(place, os.O_RDONLY)
    try:
        held.fcntl.flock(descriptor, held.fcntl.LOCK_SH | held.fcntl.LOCK_NB)
        assert not held.is_held(place)
    finally:
        os.close(descriptor)


def test_nothing_there_and_a_link_are_no_run(tmp_path: Path) -> None:
    assert not held.is_held(tmp_path / ".running")
    (tmp_path / ".running").symlink_to("/etc/passwd")
    assert not held.is_held(tmp_path / ".running")


def test_without_such_locks_the_maker_of_the_lock_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = Running(tmp_path)
    monkeypatch.setattr(held, "fcntl", None)
    assert RunFolder.open(run.folder.path).is_on()
    run.dies()
    assert not RunFolder.open(run.folder.path).is_on()
