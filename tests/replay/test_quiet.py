"""A replay reaches nothing: no line, socket, port or process, no file but its own; and the record stays as it is."""

from __future__ import annotations

import hashlib
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from corpus_files import names

import harness.locks
from harness.config import load_bench
from harness.folder import RunFolder
from harness.replay import replay
from harness.replay_words import lines_of

NEVER = ("socket.", "subprocess.", "os.fork", "os.posix_spawn", "os.exec", "os.system", "pty.", "os.kill")
"""Beginnings of audit events (PEP 578) of whatever leaves this process."""

_heard: list[str] | None = None


def _listen(event: str, args: tuple[Any, ...]) -> None:
    if _heard is None:
        return
    if event.startswith(NEVER):
        _heard.append(f"{event} {args!r:.80}")
    if event == "open" and _not_its_own(str(args[0]), writes=_writes(args)):
        _heard.append(f"open {args!r:.120}")


def _not_its_own(place: str, *, writes: bool) -> bool:
    if place.startswith("/dev/"):
        return place != "/dev/urandom"
    return writes and "nightbench-replay-" not in place


def _writes(args: tuple[Any, ...]) -> bool:
    mode, flags = args[1], args[2]
    if isinstance(mode, str) and set(mode) & set("wax+"):
        return True
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))


@pytest.fixture(scope="module", autouse=True)
def _hook() -> None:
    sys.addaudithook(_listen)


@contextmanager
def listening() -> Iterator[list[str]]:
    global _heard
    _heard = []
    try:
        yield _heard
    finally:
        _heard = None


def content(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        str(path.relative_to(folder)): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


ON_LINES = [name for name in names() if name.startswith(("served-", "left-alone"))]


@pytest.mark.parametrize("name", [*ON_LINES, "capacity-off-not-confirmed", "form1-voltage-floor-by-hand"])
def test_it_reaches_nothing(name: str, unpacked: Callable[[str], RunFolder]) -> None:
    folder = unpacked(name)
    before, handlers = content(folder.path), [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    with listening() as heard:
        done = replay(folder)
    assert heard == []
    assert done.same, lines_of(done)
    assert content(folder.path) == before
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == handlers


def test_the_ear_hears(tmp_path: Path) -> None:
    import socket

    with listening() as heard:
        socket.socket().close()
        (tmp_path / "x").write_text("x")
    assert len(heard) == 2


def test_what_is_remembered_of_instruments_is_not_touched(
    unpacked: Callable[[str], RunFolder], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that was left alone remembers that its stops were seen to act: a replay of it has seen nothing act."""
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))
    replay(unpacked("left-alone"))
    assert harness.locks.state_dir() == tmp_path / "state"
    assert [path.name for path in (tmp_path / "state").rglob("*")] == []


def test_the_benches_of_these_runs_are_gone(unpacked: Callable[[str], RunFolder]) -> None:
    """So nothing could have answered."""
    bench = load_bench(unpacked("served-wall").inputs / "bench.toml")
    assert {entry.address.partition("::")[0] for entry in bench.instruments} == {"TCPIP"}
