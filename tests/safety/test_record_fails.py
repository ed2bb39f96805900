"""A disk that takes no record any more, at every kind of record: off by the world's truth, never a finished run."""

from __future__ import annotations

import errno
import io
import os
import threading
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Night, cell_volts, spend, truly_off

from harness.clock import VirtualClock
from harness.durable import RawFile, RecordFailed
from harness.jsonlines import events
from harness.recorder import Recorder
from harness.sample import Sample
from harness.samplefile import samples


class Disk:
    """Refuses append number ``at`` (from 0, the head of the file) to the file ``name``; from then on all to all files
    when ``for_good``. What it has refused is named in ``refused``."""

    def __init__(self, name: str, at: int, *, for_good: bool) -> None:
        self.name, self.at, self.for_good = name, at, for_good
        self.refused: list[str] = []
        self.heads: list[bytes] = []
        """The first bytes of every append to ``name``."""

    def __call__(self, path: Path) -> RawFile:
        disk = self

        class File(io.FileIO):
            def write(self, data: Any, /) -> int:
                if path.name == disk.name:
                    disk.heads.append(bytes(data[:200]))
                here = path.name == disk.name and len(disk.heads) == disk.at + 1
                if here or (disk.for_good and disk.refused):
                    disk.refused.append(path.name)
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return super().write(data)

        return File(path, "xb")


ROWS = {"capacity": (18, 4), "charge": (30, 2)}
"""Rows of the short nights, and how many of them come before anything is switched on; the first test counts them."""


def night_on(disk: Disk, procedure: str, out: Path, monkeypatch: pytest.MonkeyPatch) -> Night:
    with monkeypatch.context() as patch:
        patch.setattr("harness.run.Recorder", partial(Recorder, opener=disk))
        return spend(out, SHORT[procedure])


def safe(night: Night) -> None:
    assert night.crash is None
    assert truly_off(night.world)
    assert 2.0 < min(cell_volts(night.world)) < max(cell_volts(night.world)) < 3.8
    assert len(night.on_at()) <= 1
    if night.on_at():
        assert [who for _, who in night.on_at()] == [night.short.active]


def kept(night: Night) -> None:
    """The record ends early but is whole, and the folder is let go."""
    assert night.folder is not None
    rows = samples(night.folder)
    assert len(list(rows)) == night.result.rows
    assert rows.tail.rows == 0
    assert all("kind" in event for event in events(night.folder))
    assert not night.folder.is_on()


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_the_disk_only_looks_on(procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a fault there is none; and the numbers below lie where they are said to lie."""
    disk = Disk("samples.csv", 10_000, for_good=True)
    night = night_on(disk, procedure, tmp_path, monkeypatch)
    assert night.exit_code == 0
    safe(night)
    kept(night)
    assert night.folder is not None
    states = [sample.state for sample in samples(night.folder)]
    first_on = next(number for number, state in enumerate(states) if state != "resting")
    assert ROWS[procedure] == (len(states), first_on)
    assert len(disk.heads) == 1 + len(states)


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize("row", [1, 2, 4, 5, 9, -1])
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_a_row(procedure: str, row: int, for_good: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows, before_on = ROWS[procedure]
    at = row if row > 0 else rows + 1 + row
    disk = Disk("samples.csv", at, for_good=for_good)
    night = night_on(disk, procedure, tmp_path, monkeypatch)
    assert disk.refused, "the fault has happened"
    safe(night)
    kept(night)
    assert (night.exit_code, night.result.outcome) == (25, "tripped")
    assert "samples.csv: could not write: No space left on device; make room" in night.result.end_reason
    assert night.result.off_confirmation is not None
    assert night.result.off_confirmation.confirmed
    assert len(night.on_at()) == (at > before_on), "nothing is switched on after it"
    if night.on_at():
        # Rows are a second apart: off is told in the same turn, or the block was over already.
        elapsed = [sample.elapsed_s for sample in samples(night.folder)]  # type: ignore[arg-type]
        off_s = min(t for t, who in night.off_at() if who == night.short.active and t >= night.on_at()[0][0])
        assert off_s - night.on_at()[0][0] <= elapsed[at - 2] + 2.0


EVENTS = {
    "preflight": 0,
    "limit change": 0,
    "intent": 0,
    "energised": 1,
    "off": 1,
    "ended": 1,
}
"""Kind of event -> how often something is switched on in a run in which it cannot be written."""


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], int]:
    """Number of the first append to the events of a night that holds this kind of event."""
    found: dict[tuple[str, str], int] = {}
    with pytest.MonkeyPatch.context() as patch:
        for procedure in ON_A_PACK:
            disk = Disk("events.jsonl", 10_000, for_good=True)
            night_on(disk, procedure, tmp_path_factory.mktemp("places"), patch)
            for number, head in reversed(list(enumerate(disk.heads))):
                found |= {(procedure, kind): number for kind in EVENTS if f'"kind":"{kind}"'.encode() in head}
    return found


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize("kind", EVENTS)
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_an_event(
    procedure: str,
    kind: str,
    for_good: bool,
    places: dict[tuple[str, str], int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    disk = Disk("events.jsonl", places[procedure, kind], for_good=for_good)
    night = night_on(disk, procedure, tmp_path, monkeypatch)
    assert disk.refused
    safe(night)
    kept(night)
    assert (night.exit_code, night.result.outcome) == (25, "tripped")
    assert "events.jsonl: could not write: No space left on device; make room" in night.result.end_reason
    assert len(night.on_at()) == EVENTS[kind]


@pytest.mark.parametrize("name", ["samples.csv", "events.jsonl", "wire.jsonl"])
def test_not_even_a_head(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    night = night_on(Disk(name, 0, for_good=True), "capacity", tmp_path, monkeypatch)
    safe(night)
    assert night.exit_code == 25
    assert night.on_at() == []
    assert str(night.refusal).endswith("nothing was switched on")


@pytest.mark.parametrize("at", [1, 8, 16])
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_an_exchange(procedure: str, at: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exchanges are kept back and written with the next row or event: what the disk refused once is not lost."""
    for for_good in (False, True):
        disk = Disk("wire.jsonl", at, for_good=for_good)
        night = night_on(disk, procedure, tmp_path, monkeypatch)
        assert disk.refused
        safe(night)
        kept(night)
        assert (night.exit_code, night.result.outcome) == (25, "tripped")


class RunningClock(VirtualClock):
    """Machine time goes with bench time."""

    def wall(self) -> float:
        return self.now()


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_a_disk_that_stalls(procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the third row on under current no sync comes back: 1 s until the next is asked for, 5 s, one row."""
    at = ROWS[procedure][1] + 3
    hangs, lets_go = threading.Event(), threading.Event()
    clock = RunningClock()
    hung_s: list[float] = []

    def stall(_descriptor: int) -> None:
        if hangs.is_set() and threading.current_thread() is not threading.main_thread():
            assert lets_go.wait(60.0)

    def hang(n: int, _sample: Sample) -> None:
        if n == at:
            hung_s.append(clock.now())
            hangs.set()

    monkeypatch.setattr("harness.recorder.CLOSE_WAIT_S", 0.05)
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", stall)
        night = spend(tmp_path, SHORT[procedure], clock=clock, each=hang)
        lets_go.set()
    safe(night)
    assert (night.exit_code, night.result.outcome) == (25, "tripped")
    assert "record behind: the disk has not taken anything for " in night.result.end_reason
    assert "the disk has not taken anything for" in night.result.end_reason
    rows = list(samples(night.folder))  # type: ignore[arg-type]
    assert len(rows) == night.result.rows
    off_s = min(t for t, who in night.off_at() if who == night.short.active and t >= night.on_at()[0][0])
    # Sooner when a request of an earlier row was still open: rows of a bench in memory outrun the thread.
    assert 0.0 < off_s - hung_s[0] <= 8.0


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_the_result_itself(procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All was recorded, only the result cannot be written: exit 25, and the folder reads as interrupted."""

    def refuse(folder: Any, _result: Any) -> None:
        raise RecordFailed(folder.result_json, "write", OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))

    monkeypatch.setattr("harness.ending.write_result", refuse)
    night = spend(tmp_path, SHORT[procedure])
    safe(night)
    assert night.exit_code == 25
    assert night.done is not None
    assert (night.done.result.outcome, night.done.result.exit_code) == ("tripped", 25)
    assert "result.json: could not write" in night.done.result.end_reason
    assert night.folder is not None
    assert not night.folder.is_on()
    assert night.folder.outcome() == "interrupted"
