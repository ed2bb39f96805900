"""The small file in which a run says where it stands: whole or not there, and never in the way."""

from __future__ import annotations

import math
import os
import threading
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from watched import Running, sample

from harness import live
from harness.job import Job, Ready, prepare
from harness.live import Live, LiveWriter, read_live
from harness.onlookers import Onlookers
from harness.procedure import procedures
from harness.signals import StopFlag
from sims.bench import open_bench


class Locks:
    share: float | None = 0.25

    def nearest(self, _sample: Any, _watch: Any) -> tuple[str, float] | None:
        return None if self.share is None else ("low volts", self.share)


@pytest.fixture(name="ready")
def _ready(tmp_path: Path) -> Ready:
    sim = open_bench("porch", now=lambda: 0.0)
    files = tmp_path / "bench.toml", tmp_path / "pack.toml"
    files[0].write_text(sim.bench_toml({name: f"sim:porch/{name}" for name in sim.names}), encoding="utf-8")
    files[1].write_text(sim.pack_toml(), encoding="utf-8")
    return prepare(Job(procedures()["capacity"], *files))


@pytest.fixture(name="run")
def _run(tmp_path: Path) -> Running:
    return Running(tmp_path)


class Wall:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def _written(writer: LiveWriter, run: Running, wall: Wall, *, share: float | None = 0.25, **more: Any) -> Live:
    locks, before = Locks(), read_live(run.folder)
    locks.share = share
    wall.now_s += 1.5
    writer.show(sample(wall.now_s, **more), None, locks)  # type: ignore[arg-type]
    for _ in range(2000):
        if (found := read_live(run.folder)) not in (None, before):
            assert found is not None
            return found
        threading.Event().wait(0.005)
    raise AssertionError("nothing was written")


def test_at_most_once_a_second_and_gone_at_the_end(run: Running, ready: Ready) -> None:
    wall = Wall()
    writer = LiveWriter(run.folder, ready, clock="wall", wall=wall)
    writer.show(sample(), None, Locks())  # type: ignore[arg-type]
    assert read_live(run.folder) is None
    told = _written(writer, run, wall)
    assert (told.nearest, told.nearest_share, told.procedure, told.pack_volts) == ("low volts", 0.25, "capacity", 13.0)
    assert told.left_words.startswith("at most ")
    told = _written(writer, run, wall, share=None, pack_volts=math.nan)
    assert (told.nearest, told.nearest_share, told.pack_volts) == ("", None, None)
    writer.close()
    assert [one for one in run.folder.path.iterdir() if ".live" in one.name] == []


def test_a_disk_that_hangs_or_fails_holds_up_nobody(
    run: Running, ready: Ready, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "CLOSE_WAIT_S", 0.01)
    hangs, came = threading.Event(), threading.Event()

    def stuck(*_words: object) -> None:
        came.set()
        hangs.wait(20.0)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(live.os, "replace", stuck)
    wall = Wall()
    writer = LiveWriter(run.folder, ready, clock="wall", wall=wall)
    for _ in range(5):
        wall.now_s += 2.0
        writer.show(sample(wall.now_s), None, Locks())  # type: ignore[arg-type]
    assert came.wait(10.0)
    writer.close()
    assert read_live(run.folder) is None
    hangs.set()


def test_an_interlock_that_raises_ends_nothing(run: Running, ready: Ready) -> None:
    shown: list[object] = []
    onlookers = Onlookers(run.folder, here=lambda *told: shown.append(told))
    onlookers.may_look_on(ready, run.clock, StopFlag())

    class Broken:
        def nearest(self, *_words: object) -> None:
            raise RuntimeError

    with onlookers:
        for _ in range(3):
            onlookers.show(sample(), None, Broken())
    assert len(shown) == 3


@given(st.binary(max_size=200))
def test_whatever_stands_there_is_read_or_left(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    place = tmp_path_factory.mktemp("x")
    (place / "samples.csv").touch()
    (place / ".live.json").write_bytes(raw)
    from harness.folder import RunFolder

    found = read_live(RunFolder.open(place))
    assert found is None or isinstance(found, Live)


def test_too_long_is_not_read(run: Running) -> None:
    run.says(state="x" * live.MOST_BYTES)
    assert read_live(run.folder) is None


def test_a_system_without_another_thread_ends_nothing(
    run: Running, ready: Ready, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left(_thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    onlookers = Onlookers(run.folder, here=lambda *_told: None)
    onlookers.may_look_on(ready, run.clock, StopFlag())
    wall = Wall()
    onlookers._live = LiveWriter(run.folder, ready, clock="wall", wall=wall)
    monkeypatch.setattr(threading.Thread, "start", none_left)
    with onlookers:
        for _ in range(3):
            wall.now_s += 2.0
            onlookers.show(sample(), None, Locks())
    assert read_live(run.folder) is None


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_links_and_pipes_are_neither_followed_nor_waited_for(run: Running, tmp_path: Path) -> None:
    elsewhere = tmp_path / "precious"
    elsewhere.write_bytes(b"kept")
    linked, piped = run.folder.path / "linked", run.folder.path / ".live.json"
    linked.symlink_to(elsewhere)
    os.mkfifo(piped)
    for place in (linked, piped):
        with pytest.raises(OSError, match=r"."):
            live._put(place, b"new")
    assert elsewhere.read_bytes() == b"kept"
    assert read_live(run.folder) is None
