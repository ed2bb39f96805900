"""Files that a killed process or a power cut left behind: nothing good is lost, nothing half is used."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.errors import Usage
from harness.folder import RunFolder
from harness.jsonlines import EventReader
from harness.sample import Sample
from harness.samplefile import DamagedRecord, RowWriter, Tail, samples, table

COLUMNS = ("supply_volts", "load_amps")
ROWS = 10
BLOCK = 4096
WRITER = RowWriter(COLUMNS)


def row(n: int) -> Sample:
    return Sample(
        elapsed_s=n + 0.25,
        utc="2025-01-01T22:00:00.000Z",
        state="discharging" * 40,  # long records: few are enough to fill the block
        pack_volts=12.801,
        pack_amps=2.0 + n / 7,
        charge_ah=n / 1800,
        energy_wh=n / 140,
        pack_temp_c=23.5,
        readings={name: 20 + (n + k) / 7 for k, name in enumerate(COLUMNS)},
        flags=("late",) if n % 5 == 0 else (),
    )


RECORDS = [WRITER.record(row(n)) for n in range(ROWS)]
WHOLE = WRITER.header() + b"".join(RECORDS)
INTACT_AT = [len(WRITER.header()) + sum(map(len, RECORDS[: n + 1])) - len(b"\r\n") for n in range(ROWS)]
"""Length of the file from which record n holds all its bytes up to its check value."""


def test_the_example_is_longer_than_what_is_cut() -> None:
    assert len(RECORDS) == ROWS
    assert len(WHOLE) > BLOCK + len(WRITER.header())


@pytest.mark.parametrize("zeros", [0, 1, BLOCK], ids=["cut", "cut and a zero byte", "cut and zero-filled"])
def test_cut_at_every_byte_of_the_last_block(tmp_path: Path, zeros: int) -> None:
    path = tmp_path / "samples.csv"
    for cut in range(len(WHOLE) - BLOCK, len(WHOLE) + 1, 7 if zeros else 1):
        path.write_bytes(WHOLE[:cut] + b"\0" * zeros)
        reader = samples(path)
        got = [sample.elapsed_s for sample in reader]
        good = sum(cut >= intact for intact in INTACT_AT)
        assert got == [n + 0.25 for n in range(good)], cut
        leftover = cut - len(WRITER.header()) - sum(map(len, RECORDS[:good]))
        assert reader.tail.rows == (leftover > 0)
        assert reader.tail.zero_bytes == zeros
        if cut % 16 == 0:
            assert table(path).rows == good


def test_a_number_cut_short_is_not_used(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    last = RECORDS[-1]
    path.write_bytes(WHOLE[: -len(last)] + last[: last.index(b"12.801") + len(b"12.8")])
    reader = samples(path)
    assert {sample.pack_volts for sample in reader} == {12.801}
    assert reader.rows == ROWS - 1
    assert reader.tail.rows == 1
    assert str(reader.tail).startswith("1 torn record of ")


def test_zeros_after_whole_records_are_counted_aloud(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(WHOLE + b"\0" * BLOCK)
    reader = samples(path)
    assert len(list(reader)) == ROWS
    assert reader.tail == Tail(rows=0, bytes=0, zero_bytes=BLOCK)
    assert str(reader.tail) == "4096 zero bytes at the end left out"


def test_a_whole_file_has_nothing_left_out(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(WHOLE)
    reader = samples(path)
    assert len(list(reader)) == ROWS
    assert str(reader.tail) == ""


def test_line_ends_changed_by_an_editor_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.replace(b"\r\n", b"\n").rstrip(b"\n"))
    assert len(list(samples(path))) == ROWS


def test_every_changed_byte_before_the_last_record_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    start = len(WRITER.header())
    for place in range(start, start + len(RECORDS[0]) + len(RECORDS[1])):
        spoilt = bytearray(WHOLE)
        spoilt[place] ^= 0x01
        path.write_bytes(spoilt)
        with pytest.raises(DamagedRecord, match=r"record [12] \(line [23]\) is damaged.*left as it is"):
            list(samples(path))
        assert path.read_bytes() == bytes(spoilt)


@pytest.mark.parametrize("read", [lambda p: list(samples(p)), table], ids=["samples", "table"])
def test_zeros_in_the_middle_are_an_error(tmp_path: Path, read: object) -> None:
    path = tmp_path / "samples.csv"
    middle = len(WHOLE) // 2
    path.write_bytes(WHOLE[:middle] + b"\0" * BLOCK + WHOLE[middle:])
    with pytest.raises(DamagedRecord, match=r"zero bytes, and others follow it; [45] good ones stand before it"):
        read(path)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\0" * BLOCK, "empty"),
        (b"elapsed_s,utc,sta", "header is cut short"),
        (b"elapsed_s;utc;state\r\n1;2;3\r\n", "not one of ours"),
        (b"\x1b[2J\r\n", r"not one of ours"),
    ],
)
def test_files_without_a_header(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(content)
    with pytest.raises(DamagedRecord, match=words) as caught:
        samples(path)
    assert "\x1b" not in str(caught.value)
    assert path.read_bytes() == content


def test_a_run_without_samples_csv(tmp_path: Path) -> None:
    with pytest.raises(Usage, match="cannot be read"):
        samples(tmp_path / "samples.csv")


EVENTS = [b'{"recording":"events","form":1}\n', b'{"kind":"intent"}\n', b'{"kind":"energised","n":{"a":1}}\n']


def test_events_cut_at_every_byte(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    whole = b"".join(EVENTS)
    for zeros in (0, 100):
        for cut in range(len(whole) + 1):
            path.write_bytes(whole[:cut] + b"\0" * zeros)
            reader = EventReader(path)
            lines = whole[:cut].count(b"\n")
            if not lines:
                with pytest.raises(DamagedRecord, match="not even its first line"):
                    list(reader)
                continue
            kept = [event["kind"] for event in reader]
            assert kept == ["intent", "energised"][: max(0, lines - 1)]
            assert reader.tail.rows == (not whole[:cut].endswith(b"\n") and cut > 0)


@pytest.mark.parametrize("bad", [b"\0" * 50 + b"\n", b'{"kind":\n', b'{"kind" 3}\n', b"\n"])
def test_events_damaged_in_the_middle(tmp_path: Path, bad: bytes) -> None:
    path = tmp_path / "events.jsonl"
    path.write_bytes(EVENTS[0] + bad + EVENTS[1])
    with pytest.raises(DamagedRecord, match="line 2 is damaged"):
        list(EventReader(path))


def test_a_folder_made_by_a_run_that_died_at_once(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path, procedure="charge", name="a", started=datetime(2025, 1, 1, tzinfo=UTC))
    folder.samples_csv.write_bytes(b"")
    with pytest.raises(DamagedRecord, match="died before its first sample"):
        table(folder)
