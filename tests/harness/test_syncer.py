"""A disk that stalls or breaks while it is asked to hold a run: the loop goes on, and is told in time."""

from __future__ import annotations

import errno
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness import recorder as recorder_module
from harness.clock import VirtualClock
from harness.durable import AppendFile, RecordFailed
from harness.folder import RunFolder
from harness.guarding import SILENCE_LEAST_S
from harness.jsonlines import events, exchanges
from harness.recorder import Recorder
from harness.sample import Sample
from harness.samplefile import samples
from harness.syncer import GRACE_S, STALLED_S, WAIT_MOST_S, Syncer

LONG_S = 30.0
"""Longer than any of this lasts; only a test that fails waits for it."""


class MachineClock(VirtualClock):
    """A virtual clock whose machine time the test moves."""

    def __init__(self) -> None:
        super().__init__(utc0=datetime(2025, 1, 1, 22, tzinfo=UTC))
        self.machine_s = 0.0

    def wall(self) -> float:
        return self.machine_s


class Disk:
    """Takes the place of ``os.fsync``: counts, and stalls or fails when told to."""

    def __init__(self) -> None:
        self.well = threading.Event()
        self.well.set()
        self.begun = threading.Semaphore(0)
        self.cause: int | None = None
        self.threads: list[str] = []

    def __call__(self, descriptor: int) -> None:
        os.fstat(descriptor)  # EBADF for one that is closed
        self.threads.append(threading.current_thread().name)
        self.begun.release()
        assert self.well.wait(LONG_S)
        if self.cause is not None:
            raise OSError(self.cause, os.strerror(self.cause))

    def asked(self) -> None:
        """Wait until it has been asked once more."""
        assert self.begun.acquire(timeout=LONG_S)


def row(n: int) -> Sample:
    return Sample(float(n), "2025-01-01T22:00:00.000Z", "discharging", 26.4, 2.0, n / 1800, n / 70, 23.5)


@pytest.fixture
def clock() -> MachineClock:
    return MachineClock()


@pytest.fixture
def folder(tmp_path: Path, clock: MachineClock) -> RunFolder:
    return RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=clock.utc())


@pytest.fixture
def recorder(folder: RunFolder, clock: MachineClock) -> Recorder:
    return Recorder(folder, clock=clock, columns=(), simulated=True)


@pytest.fixture
def disk(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    disk = Disk()
    monkeypatch.setattr(os, "fsync", disk)
    yield disk
    disk.well.set()
    recorder.close()


@pytest.fixture
def stalled(recorder: Recorder, disk: Disk, clock: MachineClock) -> Recorder:
    """A recorder whose first routine sync hangs since 1 s of machine time."""
    disk.well.clear()
    clock.machine_s = 1.0
    recorder.sample(row(0))
    disk.asked()
    return recorder


def test_a_row_does_not_wait_for_the_disk_and_a_long_stall_is_told(
    stalled: Recorder, folder: RunFolder, clock: MachineClock, disk: Disk
) -> None:
    for n, machine_s in enumerate((1.5, 2.0, 3.0, 4.5, 1.0 + STALLED_S), start=1):
        clock.machine_s = machine_s
        stalled.sample(row(n))
    clock.machine_s = 1.0 + STALLED_S + 0.1
    with pytest.raises(RecordFailed, match=r"could not sync to disk: the disk has not taken anything for 5\.1 s; make"):
        stalled.sample(row(6))
    assert stalled.rows == 7
    assert len(list(samples(folder))) == 7, "the row itself the kernel has"
    assert set(disk.threads) == {"syncer"}
    assert len(disk.threads) == 1


@pytest.mark.parametrize("kind", ["intent", "trip", "state"])
def test_once_the_disk_has_stalled_no_event_waits_for_it(
    stalled: Recorder, folder: RunFolder, clock: MachineClock, disk: Disk, kind: str
) -> None:
    clock.machine_s = 20.0
    with pytest.raises(RecordFailed, match=r"the disk has not taken anything for 19\.0 s"):
        stalled.event(kind, text="x")
    assert [event["kind"] for event in events(folder)] == [kind]
    assert len(disk.threads) == 1


def test_an_intent_waits_for_the_disk_but_not_for_ever(
    stalled: Recorder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock.machine_s = 1.0 + STALLED_S - 0.01  # what is left of the 5 s is waited for really
    with pytest.raises(RecordFailed, match=r"the disk has not taken anything for 5\.0 s"):
        stalled.event("intent", text="on")


def test_nobody_waits_as_long_as_the_guard_bears_silence(
    stalled: Recorder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A set-point that is changed under current is written down first, and the loop does not beat meanwhile."""
    assert WAIT_MOST_S + GRACE_S + 1.0 <= SILENCE_LEAST_S, "a period between"
    clock.machine_s = 1.1
    monkeypatch.setattr("harness.syncer.WAIT_MOST_S", 0.01)
    with pytest.raises(RecordFailed, match=r"the disk has not taken anything for 0\.1 s"):
        stalled.event("intent", text="on")


def test_an_intent_comes_back_only_when_the_disk_holds_it(stalled: Recorder, disk: Disk) -> None:
    said: list[str] = []

    def intend() -> None:
        stalled.event("intent", text="on")
        said.append("on disk")

    loop = threading.Thread(target=intend)
    loop.start()
    loop.join(0.05)
    assert said == []
    disk.well.set()
    loop.join(LONG_S)
    assert said == ["on disk"]
    assert len(disk.threads) == 2  # the rows asked for before, then the event; the rows had not grown since


def test_a_disk_that_recovers_in_time_is_forgiven(stalled: Recorder, clock: MachineClock, disk: Disk) -> None:
    clock.machine_s = 5.9
    stalled.sample(row(1))
    disk.well.set()
    stalled.sync()
    clock.machine_s = 60.0
    stalled.sample(row(2))
    assert stalled.close() is None


def test_a_program_that_was_stopped_does_not_blame_the_disk(
    recorder: Recorder, clock: MachineClock, disk: Disk
) -> None:
    """Two hours pass between a request and the next row, in which the thread has not run either."""
    clock.machine_s = 1.0
    recorder.sample(row(0))
    clock.machine_s = 7200.0
    recorder.sample(row(1))
    assert recorder.close() is None


@pytest.mark.parametrize("ask", [Syncer.late_s, Syncer.check], ids=["late", "check"])
def test_what_waits_behind_the_sync_under_way_is_not_blamed_either(
    tmp_path: Path, clock: MachineClock, monkeypatch: pytest.MonkeyPatch, ask: Callable[[Syncer], float | None]
) -> None:
    """The program was stopped with one sync under way and one behind it: when it went on the first was waited for, and
    the second, as old by then, passed for a disk that stalls."""
    gates, begun = [threading.Event(), threading.Event()], threading.Event()
    waiting = iter(gates)

    def fsync(descriptor: int) -> None:
        gate = next(waiting)
        begun.set()
        assert gate.wait(LONG_S)

    monkeypatch.setattr(os, "fsync", fsync)
    file = AppendFile(tmp_path / "log")
    syncer = Syncer([file], wall=clock.wall)
    for _ in gates:
        file.append(b"x")
        syncer.request()
        assert begun.wait(LONG_S)
    clock.machine_s += 20.0
    for number, gate in enumerate(gates, start=1):
        threading.Timer(0.04 * number, gate.set).start()
    assert not ask(syncer)
    assert syncer.close(wait_s=LONG_S)
    file.close()


@pytest.mark.parametrize("act", [lambda r: r.sample(row(1)), lambda r: r.event("state"), lambda r: r.sync()])
def test_a_failure_of_the_thread_is_told_with_the_next_record(
    recorder: Recorder, clock: MachineClock, disk: Disk, folder: RunFolder, act: Callable[[Recorder], None]
) -> None:
    disk.cause = errno.EIO
    clock.machine_s = 1.0
    recorder.sample(row(0))
    assert recorder._syncer._wait_for(1, LONG_S)
    disk.cause = None  # what the disk dropped stays lost, although it calls the next sync good
    told = r"samples\.csv: could not sync to disk: Input/output error"
    with pytest.raises(RecordFailed, match=told):
        act(recorder)
    failure = recorder.close()
    assert failure is not None
    assert "Input/output error" in str(failure)
    assert len(list(samples(folder))) == recorder.rows


def test_closing_does_not_wait_for_a_disk_that_hangs(
    stalled: Recorder, folder: RunFolder, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert recorder_module.CLOSE_WAIT_S == 5.0
    monkeypatch.setattr(recorder_module, "CLOSE_WAIT_S", 0.05)
    failure = stalled.close()
    assert isinstance(failure, RecordFailed)
    assert "the disk has not taken anything" in str(failure)
    assert stalled.close() is failure
    assert folder.wire_jsonl.exists(), "packing would wait for the disk too"
    assert list(exchanges(folder)) == []
    with pytest.raises(ValueError, match="after it was closed"):
        stalled.sample(row(1))
    # The thread goes on with descriptors of its own, and closes them.
    thread = stalled._syncer._thread
    assert thread is not None
    disk.well.set()
    thread.join(LONG_S)
    assert not thread.is_alive()
    assert stalled._syncer.failure is None


def test_closing_syncs_what_came_last(recorder: Recorder, disk: Disk) -> None:
    recorder.sample(row(0))
    recorder.event("off")
    assert disk.threads == []
    assert recorder.close() is None
    # samples.csv, events.jsonl; then on the caller the packed exchanges and the folder
    assert disk.threads == ["syncer", "syncer", "MainThread", "MainThread"]


def test_no_descriptor_stays_open(recorder: Recorder, disk: Disk) -> None:
    before = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 3
    recorder.event("intent")
    recorder.close()
    after = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    assert after == before - 3


def test_a_thread_that_cannot_be_had_is_told(recorder: Recorder, disk: Disk, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patch:
        patch.setattr(threading.Thread, "start", none)
        with pytest.raises(RecordFailed, match="can't start new thread"):
            recorder.event("intent")
    recorder.event("intent")
    assert recorder.close() is None


def test_age_is_that_of_the_oldest_request(tmp_path: Path, disk: Disk, clock: MachineClock) -> None:
    file = AppendFile(tmp_path / "log")
    syncer = Syncer([file], wall=clock.wall)
    assert syncer.oldest_age_s() == 0.0
    disk.well.clear()
    for machine_s in (1.0, 2.0, 3.0):
        clock.machine_s = machine_s
        file.append(b"x")
        syncer.request()
        if machine_s == 1.0:
            disk.asked()
    assert syncer.oldest_age_s() == 2.0
    disk.well.set()
    syncer.wait()
    assert syncer.oldest_age_s() == 0.0
    assert len(disk.threads) == 2, "those that came meanwhile are served at once"
    assert syncer.close(wait_s=LONG_S)
    file.close()


@pytest.mark.parametrize("what", ["the folder deleted", "the folder moved", "the samples deleted"])
def test_a_record_that_is_no_longer_there_ends_the_run(recorder: Recorder, folder: RunFolder, what: str) -> None:
    """Ours: somebody made room in mid-run; all night went into files that had no name any more, and exit code 0."""
    recorder.sample(row(0))
    recorder.event("intent")
    if what == "the folder deleted":
        shutil.rmtree(folder.path)
    elif what == "the folder moved":
        folder.path.rename(folder.path.with_name("elsewhere"))
    else:
        folder.samples_csv.unlink()
    with pytest.raises(RecordFailed, match="could not keep it: it is no longer there: deleted or moved"):
        recorder.sync()
    recorder.close()
