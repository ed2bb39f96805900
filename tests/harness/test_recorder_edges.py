"""The recorder where nothing usual happens: numbers of other libraries, a disk that hangs at the end, a thousand
exchanges at once, names that the disk does not keep."""

from __future__ import annotations

import errno
import gzip
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from harness import recorder as recorder_module
from harness.clock import VirtualClock
from harness.durable import AppendFile, RecordFailed
from harness.folder import RunFolder
from harness.forms import FORMS
from harness.jsonlines import events, exchanges, tape_of
from harness.recorder import CLOSE_WAIT_S, PENDING_MOST, SYNC_EVERY_S, Recorder, on_grid
from harness.sample import Sample
from harness.tape import Told

NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)


class MachineClock(VirtualClock):
    """A virtual clock whose machine time the test moves."""

    machine_s = 0.0

    def wall(self) -> float:
        return self.machine_s


class Talk:
    name = "load"
    sent = b"MEAS:CURR?"
    received: bytes | None = b"2.0001"
    error: str | None = None


def row(n: int) -> Sample:
    return Sample(float(n), "2025-01-01T22:00:00.000Z", "discharging", 26.4, 2.0, n / 1800, n / 70, 23.5)


@pytest.fixture
def clock() -> MachineClock:
    return MachineClock(utc0=NIGHT)


@pytest.fixture
def folder(tmp_path: Path, clock: MachineClock) -> RunFolder:
    return RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=clock.utc())


@pytest.fixture
def recorder(folder: RunFolder, clock: MachineClock) -> Iterator[Recorder]:
    one = Recorder(folder, clock=clock, columns=(), simulated=True)
    yield one
    one.close()


def test_what_is_no_json_is_a_number_or_its_words(recorder: Recorder, folder: RunFolder) -> None:
    recorder.event("figure", volts=np.float32(1.5), cells=np.int64(4), path=Path("a/b"))
    (event,) = events(folder)
    assert (event["volts"], event["cells"], event["path"]) == (1.5, 4, "a/b")


@pytest.mark.parametrize(("now_s", "told_s"), [(0.1 + 0.2, 0.3), (1.23456749, 1.234567), (1.2345678, 1.234568)])
def test_times_are_told_to_a_microsecond(folder: RunFolder, now_s: float, told_s: float) -> None:
    clock = MachineClock(utc0=NIGHT)
    clock.sleep(10.0 + now_s)
    with Recorder(folder, clock=clock, columns=(), simulated=True, zero_s=10.0) as recorder:
        recorder.exchange(Talk())
        recorder.event("state")
    (event,) = events(folder)
    assert event["elapsed_s"] == told_s
    (exchange,) = exchanges(folder)
    assert exchange.elapsed_s == pytest.approx(now_s, abs=1e-6)


def test_the_head_of_each_recording(recorder: Recorder, folder: RunFolder) -> None:
    for path, what in ((folder.events_jsonl, "events"), (folder.wire_jsonl, "wire")):
        head = json.loads(path.read_text(encoding="utf-8").splitlines()[0])
        assert (head["recording"], head["form"], head["run"], head["simulated"], head["elapsed_s"]) == (
            what, FORMS[what], folder.name, True, 0.0,
        )  # fmt: skip


def test_times_and_amounts() -> None:
    assert (SYNC_EVERY_S, CLOSE_WAIT_S, PENDING_MOST) == (1.0, 5.0, 20_000)


def test_the_disk_is_asked_once_a_second_and_not_for_each_row_after_it(
    recorder: Recorder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    monkeypatch.setattr(recorder._syncer, "request", lambda: asked.append(clock.machine_s))
    for n in range(13):
        clock.machine_s = n / 4
        recorder.sample(row(n))
    assert asked == [1.0, 2.0, 3.0]


def test_a_thousand_exchanges_do_not_wait_for_a_row(recorder: Recorder, folder: RunFolder) -> None:
    for _ in range(999):
        recorder.exchange(Talk())
    assert len(list(exchanges(folder))) == 0
    recorder.exchange(Talk())
    assert len(list(exchanges(folder))) == 1000
    assert recorder.exchanges_dropped == 0


def test_exchanges_are_written_with_the_next_event(recorder: Recorder, folder: RunFolder) -> None:
    recorder.exchange(Talk())
    recorder.event("state")
    assert len(list(exchanges(folder))) == 1


def test_the_names_of_the_files_are_on_the_disk_before_anything_else(
    folder: RunFolder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[AppendFile] = []
    begins, closes = AppendFile.append, AppendFile.close

    def append(file: AppendFile, data: bytes) -> None:
        opened.append(file)
        begins(file, data)

    def close(file: AppendFile) -> None:
        closes(file)
        opened.remove(file)

    def refuses(_path: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(AppendFile, "append", append)
    monkeypatch.setattr(AppendFile, "close", close)
    monkeypatch.setattr(recorder_module, "sync_dir", refuses)
    with pytest.raises(RecordFailed, match="could not sync to disk: Input/output error") as caught:
        Recorder(folder, clock=clock, columns=(), simulated=True)
    assert caught.value.path == folder.path
    assert opened == [], "nothing stays open"


def test_a_disk_that_hangs_at_the_end_is_left_alone(
    folder: RunFolder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files are closed as the kernel has them: not synced once more, not packed; and it is told."""
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True)
    recorder.exchange(Talk())
    asked, waited = [], []
    monkeypatch.setattr(AppendFile, "sync", lambda file, *of_the_thread: of_the_thread or asked.append(file))
    monkeypatch.setattr(recorder._syncer, "close", lambda *, wait_s: bool(waited.append(wait_s)))
    failure = recorder.close()
    assert waited == [5.0]
    assert asked == []
    assert failure is not None
    assert "has not taken anything for 5.0 s" in str(failure)
    assert not folder.wire_gz.exists()
    assert len(list(exchanges(folder))) == 1
    assert recorder.close() is failure


def test_a_sync_that_fails_at_the_end_alone_is_handed_back(
    folder: RunFolder, clock: MachineClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True)

    def fails(_file: AppendFile, *of_the_thread: int) -> None:
        if not of_the_thread:
            raise RecordFailed(folder.samples_csv, "sync to disk", "gone")

    monkeypatch.setattr(AppendFile, "sync", fails)
    failure = recorder.close()
    assert failure is not None
    assert "gone" in str(failure)


def test_what_is_packed_is_whole_before_the_plain_file_goes(
    recorder: Recorder, folder: RunFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the disk is asked to hold is the whole packed file, and its name is asked for before the other is gone."""
    recorder.exchange(Talk())
    sizes, there, real = [], [], os.fsync

    def fsync(descriptor: int) -> None:
        sizes.append((os.readlink(f"/proc/self/fd/{descriptor}").rpartition(".")[2], os.fstat(descriptor).st_size))
        real(descriptor)

    monkeypatch.setattr(recorder_module.os, "fsync", fsync)
    monkeypatch.setattr(recorder_module, "sync_dir", lambda _: there.append(folder.wire_jsonl.exists()))
    assert recorder.close() is None
    packed = folder.wire_gz.stat().st_size
    assert [size for name, size in sizes if name == "part"] == [packed]
    assert there == [True]
    assert not folder.wire_jsonl.exists()
    assert folder.wire_gz.read_bytes()[4:8] == bytes(4), "no time stamp: equal runs give equal files (RFC 1952, 2.3)"


def test_what_is_packed_takes_less_room(recorder: Recorder, folder: RunFolder) -> None:
    for _ in range(200):
        recorder.exchange(Talk())
    assert recorder.close() is None
    packed = folder.wire_gz.read_bytes()
    assert len(packed) < len(gzip.decompress(packed)) / 4


# -- zero, and the lines of the tape -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("zero_s", "lies_at"), [(0.0, 0.0), (1.0 / 3.0, 349525.0 / 1048576.0), (7.5, 7.5)])
def test_the_zero_of_a_record_lies_on_a_grid(zero_s: float, lies_at: float) -> None:
    """A step is 2**-20 s, which binary numbers hold exactly (IEEE 754)."""
    assert on_grid(zero_s) == lies_at


def test_what_a_replay_counts_from_stands_in_the_wire_alone(folder: RunFolder, recorder: Recorder) -> None:
    recorder.event("here", sync=True)
    heads = {
        what: json.loads(place.read_bytes().split(b"\n", 1)[0])
        for what, place in (("events", folder.events_jsonl), ("wire", folder.wire_jsonl))
    }
    own = {"clock", "speed", "zero_s", "utc0"}
    assert own <= heads["wire"].keys()
    assert not own & heads["events"].keys()
    assert (heads["wire"]["clock"], heads["wire"]["speed"], heads["wire"]["zero_s"]) == ("virtual", 1.0, 0.0)


def test_a_time_before_zero_by_less_than_is_written_is_zero(folder: RunFolder, clock: MachineClock) -> None:
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, zero_s=1e-7)
    recorder.event("here", sync=True)
    assert b'"elapsed_s":0.0,' in folder.events_jsonl.read_bytes().split(b"\n")[1]
    recorder.close()


def test_a_line_of_the_tape_has_its_own_time_where_it_was_read(folder: RunFolder, clock: MachineClock) -> None:
    clock.sleep_until(2.0)
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, zero_s=2.0)
    clock.sleep_until(9.0)
    recorder.exchange(Told("clock", "instant", {"a": 1}, at_s=5.0))
    recorder.exchange(Told("clock", "instant", {}))
    recorder.close()
    assert [(one.elapsed_s, one.name) for one in tape_of(folder)] == [(3.0, "clock"), (7.0, "clock")]
