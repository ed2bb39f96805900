"""The folder of locks and notes: where it is, and what happens when it cannot be used."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from lock_benches import (  # noqa: F401 - fixtures among them
    bench_fixture,
    lock_on,
    state_fixture,
    unusable,
)

from harness.errors import Usage
from harness.locks import state_dir
from sims.bench import open_bench

KINDS = ["a file", "below a file", "a dangling link", "too long a name", "read-only"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_state_folder_that_cannot_be_used(
    kind: str, bench: Path, cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = unusable(kind, tmp_path)
    if kind == "read-only" and os.access(place, os.W_OK):
        # Whoever may write everywhere is told by the system that he may not.
        monkeypatch.setattr("harness.locks.os.access", lambda path, mode: path != place)
    monkeypatch.setenv("NIGHTBENCH_STATE", str(place))
    pack = tmp_path / "pack.toml"
    pack.write_text(open_bench("porch", now=lambda: 0.0).pack_toml(), encoding="utf-8")
    words = ("--bench", bench, "--pack", pack)
    for command in (("run", "charge", *words, "--out", tmp_path / "runs"), ("check", *words)):
        cli(*command).refused(
            2, str(place), "NIGHTBENCH_STATE", "two runs could share a bench", "a folder you may write to"
        )
    with pytest.raises(Usage):
        lock_on(bench).acquire()


def test_a_lock_that_cannot_be_made(bench: Path, state: Path) -> None:
    lock = lock_on(bench)
    lock.acquire()
    lock.release()
    one = sorted(state.glob("*.lock"))[-1]
    one.unlink()
    one.mkdir()
    with pytest.raises(Usage, match="cannot keep others off this bench"):
        lock.acquire()
    assert lock.locks == []


def test_the_home_folder_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of this user's own in the temporary one then; but never one that belongs to somebody else."""
    monkeypatch.delenv("NIGHTBENCH_STATE")
    monkeypatch.setenv("XDG_STATE_HOME", str(unusable("below a file", tmp_path)))
    monkeypatch.setattr("harness.locks.tempfile.gettempdir", lambda: str(tmp_path / "tmp"))
    place = state_dir()
    assert place.parent == tmp_path / "tmp"
    assert place.stat().st_mode & 0o777 == 0o700
    me = os.getuid()
    monkeypatch.setattr("harness.locks.os.getuid", lambda: me + 1)
    place.rename(place.with_name(f"nightbench-{me + 1}"))
    with pytest.raises(Usage, match="belongs to another user"):
        state_dir()


def test_a_run_that_cannot_note_that_it_is_live_switches_nothing_on(
    on_sockets: Any, cli: Any, tmp_path: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_place: Path) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    words = ("run", "charge", *on_sockets.files.words(), "--out", tmp_path / "runs")
    with monkeypatch.context() as patch:
        patch.setattr("harness.locks.sync_dir", full)
        told = cli(*words)
    assert told.exit_code == 2
    assert "Traceback" not in told.err
    assert "No space left on device: cannot keep others off this bench; make room" in told.err
    assert not on_sockets.seen.ever_on
    (folder,) = (tmp_path / "runs").iterdir()
    result = json.loads((folder / "result.json").read_bytes())
    assert (result["outcome"], result["exit_code"]) == ("refused", 2)
    # Room was made, as it was told to: nothing was ever on, so nothing has to be made safe first.
    assert not list(state.glob("*.live.json"))
    lock_on(on_sockets.files.bench).check_closed()


def test_a_state_folder_that_depends_on_where_one_stands_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ours: started in two folders, two runs had a bench each for itself; and the guard, which stands elsewhere, found
    no note and took that for somebody's word that all was off."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NIGHTBENCH_STATE", "state")
    with pytest.raises(Usage, match="NIGHTBENCH_STATE = state: no whole path"):
        state_dir()
    monkeypatch.delenv("NIGHTBENCH_STATE")
    monkeypatch.setenv("XDG_STATE_HOME", "state")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert state_dir() == tmp_path / "home" / ".local" / "state" / "nightbench"
