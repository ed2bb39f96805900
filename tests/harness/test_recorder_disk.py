"""A disk that is full or breaks: the trouble is named, what was good stays good, closing hides nothing."""

from __future__ import annotations

import errno
import io
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness import durable
from harness import recorder as recorder_module
from harness.clock import VirtualClock
from harness.durable import AppendFile, RawFile, RecordFailed, open_new, replace_file
from harness.folder import RunFolder
from harness.jsonlines import events, exchanges
from harness.recorder import PENDING_MOST, Recorder
from harness.sample import Sample
from harness.samplefile import samples

NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)


class Talk:
    name = "load"
    sent = b"MEAS:CURR?"
    received: bytes | None = b"2.0001"
    error: str | None = None


class Disk:
    """A disk with ``room`` bytes for all files together; a write that does not fit goes in half, as on a real one."""

    def __init__(self, room: int, *, cause: int = errno.ENOSPC, can_cut: bool = True) -> None:
        self.room = room
        self.cause = cause
        self.can_cut = can_cut

    def __call__(self, path: Path) -> RawFile:
        disk = self

        class Limited(io.FileIO):
            def write(self, data: bytes, /) -> int:  # type: ignore[override]
                if disk.room <= 0:
                    raise OSError(disk.cause, os.strerror(disk.cause))
                part = super().write(data[: disk.room])
                disk.room -= part
                return part

            def truncate(self, size: int | None = None, /) -> int:
                if not disk.can_cut:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                here = super().truncate(size)
                self.seek(here)
                return here

        return Limited(path, "xb")


def row(n: int) -> Sample:
    return Sample(float(n), "2025-01-01T22:00:00.000Z", "discharging", 26.4, 2.0, n / 1800, n / 70, 23.5)


def run_until_full(folder: RunFolder, clock: VirtualClock, disk: Disk) -> tuple[Recorder, int, RecordFailed]:
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, opener=disk)
    done = 0
    try:
        for n in range(1000):
            recorder.exchange(Talk())
            recorder.event("state", state="n")
            recorder.sample(row(n))
            done += 1
    except RecordFailed as error:
        return recorder, done, error
    raise AssertionError("the disk never filled")


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock(utc0=NIGHT)


@pytest.fixture
def folder(tmp_path: Path, clock: VirtualClock) -> RunFolder:
    return RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=clock.utc())


HEADS = 600


@pytest.mark.parametrize("cause", [errno.ENOSPC, errno.EIO])
@pytest.mark.parametrize("can_cut", [True, False], ids=["half a record is taken back", "half a record stays"])
def test_full_at_every_byte(
    tmp_path: Path, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch, cause: int, can_cut: bool
) -> None:
    monkeypatch.setattr(durable.os, "fsync", lambda descriptor: None)  # not what is tried here, and slow
    for room in range(HEADS, HEADS + 500, 1 if cause == errno.ENOSPC else 11):
        folder = RunFolder.create(tmp_path, procedure="capacity", name=f"{room}", started=clock.utc())
        disk = Disk(room, cause=cause, can_cut=can_cut)
        recorder, done, error = run_until_full(folder, clock, disk)
        assert os.strerror(cause) in str(error)
        assert error.path.parent == folder.path
        assert recorder.close() is None or not can_cut or disk.room == 0
        folder.release()
        reader = samples(folder)
        assert [sample.elapsed_s for sample in reader] == [float(n) for n in range(reader.rows)]
        assert reader.rows >= done
        assert reader.tail.rows == 0 or not can_cut
        assert len(list(events(folder))) >= done
        assert len(list(exchanges(folder))) >= done


def test_room_made_again_lets_the_last_words_in(folder: RunFolder, clock: VirtualClock) -> None:
    disk = Disk(HEADS + 300)
    recorder, done, _ = run_until_full(folder, clock, disk)
    disk.room = 10_000
    recorder.event("off", sync=True, text="confirmed")
    recorder.sample(row(done))
    assert recorder.close() is None
    assert list(events(folder))[-1]["kind"] == "off"
    reader = samples(folder)
    assert len(list(reader)) >= done + 1
    assert str(reader.tail) == ""
    assert len(list(exchanges(folder))) == done + 1


def test_half_a_record_that_stays_is_never_followed_by_another(folder: RunFolder, clock: VirtualClock) -> None:
    disk = Disk(HEADS, can_cut=False)
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, opener=disk)
    recorder.sample(row(0))
    disk.room = 40
    with pytest.raises(RecordFailed, match="No space left on device"):
        recorder.sample(row(1))
    disk.room = 10_000
    with pytest.raises(RecordFailed, match="an earlier record is cut short"):
        recorder.sample(row(2))
    recorder.event("off", sync=True)
    reader = samples(folder)
    assert [sample.elapsed_s for sample in reader] == [0.0]
    assert reader.tail.rows == 1


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the device that is always full")
def test_the_device_that_is_always_full(folder: RunFolder, clock: VirtualClock) -> None:
    def opener(path: Path) -> RawFile:
        return open("/dev/full", "wb", buffering=0)

    with pytest.raises(RecordFailed, match=r"samples\.csv: could not write: No space left on device; make room"):
        Recorder(folder, clock=clock, columns=(), simulated=True, opener=opener)


def test_an_exchange_never_raises_and_memory_is_bounded(folder: RunFolder, clock: VirtualClock) -> None:
    disk = Disk(HEADS)
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, opener=disk)
    disk.room = 0
    for _ in range(PENDING_MOST + 3000):
        recorder.exchange(Talk())
    assert recorder.exchanges_dropped == 3000
    with pytest.raises(RecordFailed, match=r"wire\.jsonl"):
        recorder.sync()
    disk.room = 10**9
    assert recorder.close() is None
    assert len(list(exchanges(folder))) == PENDING_MOST


def test_a_sync_that_fails_is_told_and_every_file_is_tried(
    folder: RunFolder, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True)
    recorder.sample(row(0))
    tried: list[int] = []

    def fail(descriptor: int) -> None:
        tried.append(descriptor)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(durable.os, "fsync", fail)
    with pytest.raises(RecordFailed, match=r"samples\.csv: could not sync to disk: Input/output error"):
        recorder.event("trip", text="low volts")
    assert len(tried) == 2
    failure = recorder.close()
    assert isinstance(failure, RecordFailed)
    assert recorder.close() is failure


def test_closing_does_not_hide_why_the_run_ended(
    folder: RunFolder, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Trip(BaseException):
        pass

    disk = Disk(10_000)
    with pytest.raises(Trip), Recorder(folder, clock=clock, columns=(), simulated=True, opener=disk) as recorder:  # noqa: PT012
        recorder.exchange(Talk())
        disk.room = 0
        raise Trip
    assert isinstance(recorder.close(), RecordFailed)
    assert len(list(exchanges(folder))) == 0


def test_exchanges_that_cannot_be_packed_stay_as_they_are(
    folder: RunFolder, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True)
    recorder.exchange(Talk())

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(recorder_module.shutil, "copyfileobj", full)
    failure = recorder.close()
    assert failure is not None
    assert "could not compress the exchanges: No space left on device" in str(failure)
    assert not list(folder.path.glob("*.part"))
    assert not folder.wire_gz.exists()
    assert len(list(exchanges(folder))) == 1


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "result.json"
    replace_file(path, b"old")

    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(durable.os, "fsync", fail)
    with pytest.raises(RecordFailed, match=r"result\.json: could not write: Input/output error"):
        replace_file(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["result.json"]


def test_a_file_only_grows_and_is_never_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "log"
    file = AppendFile(path)
    file.append(b"one\n")
    file.close()
    file.close()
    assert path.read_bytes() == b"one\n"
    with pytest.raises(FileExistsError):
        open_new(path)
