"""A record that a power cut left damaged, at each byte: whoever reads it copes, says what was left out, writes nothing.

The last 64 KiB of a night's rows are cut at each byte; what follows a cut may be zeros, as some file systems leave
them. Damage before the end, and files with nothing in them, are an error in words.
"""

from __future__ import annotations

import errno
import io
import os
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from died import Ended, cut, died, ended, nearly_empty
from night import SHORT, spend, truly_off

from harness.derived import result_of
from harness.durable import RawFile
from harness.errors import Usage
from harness.folder import INTERRUPTED, RunFolder
from harness.history import read_history
from harness.recorder import Recorder
from harness.resume import look_back, past_lines
from harness.samplefile import DamagedRecord, samples
from harness.show import show_text

BLOCK = 64 * 1024
ZEROS = b"\0" * 4096


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Ended:
    sets = ("charge_first=false", "rate_it=1", "rest_s=300", "rest_after_s=300")
    made = ended(tmp_path_factory.mktemp("whole"), "capacity", *sets, scenario=nearly_empty(0.06))
    assert made.done.folder.samples_csv.stat().st_size > BLOCK
    return made


def untouched(folder: RunFolder, name: str, data: bytes) -> None:
    assert (folder.path / name).read_bytes() == data


# -- samples.csv -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tail", "every"), [(b"", 1), (ZEROS, 5)], ids=["cut at each byte", "cut and zero-filled at each fifth"]
)
def test_rows_are_good_or_left_out_at_each_byte(
    tail: bytes, every: int, whole: Ended, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every byte of the last 64 KiB, out of memory: rows before it are read, half a row never is."""
    data = whole.done.folder.samples_csv.read_bytes()
    # What lies before the block is whole rows; one of them stands for all, or reading it 65,536 times takes an hour.
    start = data.rindex(b"\r\n", 0, len(data) - BLOCK) + 2
    header = data[: data.index(b"\r\n") + 2]
    rows = data[start:].split(b"\r\n")[:-1]
    last_elapsed = [float(row.split(b",", 1)[0]) for row in rows]
    disk = [b""]
    monkeypatch.setattr("harness.samplerows.open_inside", lambda _path: io.BytesIO(disk[0]), raising=False)
    tried = 0
    for number, row in enumerate(rows):
        before = header + (rows[number - 1] + b"\r\n" if number else b"")
        for length in range(number % every, len(row) + 2, every):
            disk[0] = before + (row + b"\r\n")[:length] + tail
            reader = samples(Path("samples.csv"))
            got = [one.elapsed_s for one in reader]
            # The check value is the last thing of a row: with it the row is whole, its line end may be lost.
            now = length >= len(row)
            wanted = last_elapsed[max(0, number - 1) : number + now] if number else last_elapsed[:now]
            assert got == wanted, (number, length)
            assert reader.tail.rows == (0 < length < len(row))
            assert reader.tail.zero_bytes == len(tail)
            tried += 1
    assert tried * every >= BLOCK


@pytest.mark.parametrize("tail", [b"", ZEROS], ids=["cut", "cut and zero-filled"])
def test_show_and_resume_cope_with_any_cut(tail: bytes, whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=whole.rows)
    data = folder.samples_csv.read_bytes()
    # Steps without a factor in common with the length of a row, so that every place in a row has its turn.
    for length in range(len(data) - BLOCK, len(data), 3511):
        folder.samples_csv.write_bytes(now := data[:length] + tail)
        page = " ".join(show_text(folder).split())
        told = " ".join(" ".join(past_lines(look_back(folder.path))).split())
        # A row whose line end alone is lost is whole.
        torn = b"\r\n" not in data[length - 2 : length + 2]
        for text in (page, told):
            assert ("torn record" in text) is torn, length
            assert ("4096 zero bytes" in text) is bool(tail)
        assert "did not end normally" in page
        figure = result_of(folder).figures["capacity_ah"]
        assert figure.value <= whole.done.result.figures["capacity_ah"].value
        untouched(folder, "samples.csv", now)


def test_a_number_cut_short_is_no_number(whole: Ended, tmp_path: Path) -> None:
    """12.8 of 12.801 is as good a number as any: what tells them apart is the check value at the end of the row."""
    folder = died(whole, tmp_path, rows=400)
    data = folder.samples_csv.read_bytes()
    last = data[data.rindex(b"\r\n", 0, len(data) - 2) + 2 :]
    *_, volts = (last.split(b",")[3],)
    assert len(volts) > 4
    folder.samples_csv.write_bytes(data[: -len(last)] + last[: last.index(volts) + len(volts) - 1])
    found = list(samples(folder))
    assert len(found) == 399
    assert "1 torn record" in show_text(folder)


DAMAGE = {
    "zeros in the middle": (lambda data: data[: len(data) // 2] + ZEROS + data[len(data) // 2 :], "zero bytes, and"),
    "a changed digit": (lambda data: data.replace(b",sinking,11.", b",sinking,12.", 1), "does not match"),
    "zero length": (lambda data: b"", "died before its first sample"),
    "nothing but zeros": (lambda data: ZEROS, "died before its first sample"),
    "half a header": (lambda data: data[:50], "the header is cut short"),
}


@pytest.mark.parametrize("what", DAMAGE)
def test_damage_is_an_error_in_words_and_nothing_is_written(what: str, whole: Ended, tmp_path: Path) -> None:
    spoil, words = DAMAGE[what]
    folder = died(whole, tmp_path, rows=500)
    data = spoil(folder.samples_csv.read_bytes())
    folder.samples_csv.write_bytes(data)
    with pytest.raises(DamagedRecord, match=words) as caught:
        look_back(folder.path)
    assert "\n" not in str(caught.value)
    page = " ".join(show_text(folder).split())
    assert "did not end normally" in page
    assert words.split(",")[0] in page
    assert result_of(folder).figures == {}
    untouched(folder, "samples.csv", data)


def test_without_rows_there_is_nothing_but_words(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=0)
    assert "no sample was recorded" in " ".join(past_lines(look_back(folder.path)))
    assert result_of(folder).figures == {}


# -- events.jsonl, result.json -----------------------------------------------------------------------------------------


def test_events_cut_at_each_byte(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=10)
    data = folder.events_jsonl.read_bytes()
    for length in range(data.index(b"\n") + 1, len(data), 5):
        folder.events_jsonl.write_bytes(data[:length] + (ZEROS if length % 3 else b""))
        history = read_history(folder)
        assert len(history.rows) == 10
        torn = not data[:length].endswith(b"\n")
        assert any("events.jsonl: 1 torn" in text for text in history.left_out) is torn
    for middle in (40, len(data) // 2):
        folder.events_jsonl.write_bytes(spoilt := data[:middle] + ZEROS + data[middle:])
        with pytest.raises(DamagedRecord, match="is damaged"):
            look_back(folder.path)
        untouched(folder, "events.jsonl", spoilt)


def test_without_a_result_the_words_say_so(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=400)
    for content in (None, b"", b'{"schema"', ZEROS):
        if content is None:
            folder.result_json.unlink()
        else:
            folder.result_json.write_bytes(content)
        assert folder.outcome() == INTERRUPTED
        with pytest.raises(Usage, match=r"the run did not end normally|no JSON"):
            look_back(folder.path)


# -- a disk that refuses one write, at each of them --------------------------------------------------------------------


class Disk:
    """Refuses write number ``at`` of all, and every one after it; ``cause`` is what it says."""

    def __init__(self, at: int, cause: int) -> None:
        self.at, self.cause, self.count = at, cause, 0

    def __call__(self, path: Path) -> RawFile:
        disk = self

        class File(io.FileIO):
            def write(self, data: Any, /) -> int:
                disk.count += 1
                if disk.count > disk.at:
                    raise OSError(disk.cause, os.strerror(disk.cause))
                return super().write(data)

        return File(path, "xb")


@pytest.mark.parametrize(
    ("cause", "every"),
    [(errno.ENOSPC, 2), (errno.EIO, 9), pytest.param(errno.ENOSPC, 1, marks=pytest.mark.slow)],
    ids=["full", "broken", "full, each place"],
)
def test_a_write_that_fails_at_each_place(
    cause: int, every: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)
    looking = Disk(10**9, cause)
    with monkeypatch.context() as patch:
        patch.setattr("harness.run.Recorder", partial(Recorder, opener=looking))
        assert spend(tmp_path, SHORT["capacity"]).exit_code == 0
    for at in range(0, looking.count, every):
        disk = Disk(at, cause)
        with monkeypatch.context() as patch:
            patch.setattr("harness.run.Recorder", partial(Recorder, opener=disk))
            night = spend(tmp_path, SHORT["capacity"])
        assert truly_off(night.world), at
        assert night.exit_code == 25, at
        if night.folder is None:
            assert night.on_at() == []
            continue
        page = show_text(night.folder)
        assert "could not write" in " ".join(page.split()), at
        rows = list(samples(night.folder))
        # As it would be found had the computer died right there as well.
        left = cut(night.folder, tmp_path, rows=len(rows))
        assert len(look_back(left.path).history.rows) == len(rows)
        assert "did not end normally" in show_text(left)


def test_exchanges_that_could_not_be_written_are_counted_aloud(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = Recorder.__init__

    def dropped(self: Recorder, *given: Any, **more: Any) -> None:
        begun(self, *given, **more)
        self.exchanges_dropped = 7

    monkeypatch.setattr(Recorder, "__init__", dropped)
    night = spend(tmp_path, SHORT["charge"])
    assert night.folder is not None
    assert "7 exchanges could not be written: wire.jsonl has gaps" in " ".join(show_text(night.folder).split())
