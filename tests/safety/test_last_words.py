"""A disk that has filled up still takes the last words of a run: what ended it, how off was proven, the result."""

from __future__ import annotations

import errno
from pathlib import Path

from harness.clock import VirtualClock
from harness.durable import open_new
from harness.folder import ROOM_BYTES, RunFolder
from harness.jsonlines import events
from harness.logbook import Logbook
from harness.recorder import Recorder
from harness.sample import Sample


class Filling:
    """A file on a disk with room for ``left`` bytes, shared by all files, while the space set aside is still there."""

    left = 0
    room: Path

    def __init__(self, path: Path) -> None:
        self._raw = open_new(path)

    def write(self, data: bytes) -> int | None:
        if Filling.room.exists():
            if len(data) > Filling.left:
                raise OSError(errno.ENOSPC, "No space left on device")
            Filling.left -= len(data)
        return self._raw.write(data)

    def __getattr__(self, name: str) -> object:
        return getattr(self._raw, name)


def test_last_words_fit(tmp_path: Path) -> None:
    clock = VirtualClock()
    folder = RunFolder.create(tmp_path, procedure="capacity", name="demo", started=clock.utc())
    folder.keep_room()
    Filling.room = folder.path / ".room"
    assert Filling.room.stat().st_size == ROOM_BYTES
    Filling.left = 4000
    recorder = Recorder(folder, clock=clock, columns=("meter_volts",), simulated=True, opener=Filling)
    log = Logbook(recorder, None)
    sample = Sample(0.0, "2026-01-01T00:00:00.000Z", "sinking", 26.0, 2.0, 0.0, 0.0, 20.0, {"meter_volts": 26.0})
    for _ in range(200):
        log.row(sample)
        if log.failed:
            break
    assert "No space left" in log.failed
    assert not Filling.room.exists()
    log.note("trip", sync=True, text="record failed")
    log.note("off", sync=True, result="confirmed")
    recorder.close()
    assert [event["kind"] for event in events(folder)] == ["trip", "off"]


def test_an_event_that_finds_the_disk_full_is_said_again(tmp_path: Path) -> None:
    clock = VirtualClock()
    folder = RunFolder.create(tmp_path, procedure="capacity", name="demo", started=clock.utc())
    folder.keep_room()
    Filling.room = folder.path / ".room"
    Filling.left = 10_000
    recorder = Recorder(folder, clock=clock, columns=(), simulated=True, opener=Filling)
    log = Logbook(recorder, None)
    Filling.left = 0
    log.note("off", sync=True, result="confirmed")
    recorder.close()
    assert "No space left" in log.failed
    assert [event["kind"] for event in events(folder)] == ["off"]
