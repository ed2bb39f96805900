"""Operator's marks: from another process to a run that is on."""

from __future__ import annotations

import os
import subprocess
import sys
import timeit
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.errors import Usage
from harness.folder import RunFolder
from harness.marks import LONGEST_MARK, PIECE_BYTES, MarkInbox, drop_mark


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    made = RunFolder.create(tmp_path, procedure="capacity", name="a", started=datetime(2025, 1, 1, tzinfo=UTC))
    made.events_jsonl.write_bytes(b"")
    return made


def test_marks_arrive_once_and_in_order(folder: RunFolder) -> None:
    inbox = MarkInbox(folder)
    assert inbox.poll() == []
    drop_mark(folder.path, "beeper on")
    drop_mark(str(folder.path), "lamp red")
    assert inbox.poll() == ["beeper on", "lamp red"]
    assert inbox.poll() == []
    drop_mark(folder, "beeper off")
    assert inbox.poll() == ["beeper off"]


def test_marks_from_other_processes_at_once(folder: RunFolder) -> None:
    code = (
        "import sys; from harness.marks import drop_mark\n"
        "for n in range(20): drop_mark(sys.argv[1], f'{sys.argv[2]} {n}')"
    )
    inbox = MarkInbox(folder)
    children = [subprocess.Popen([sys.executable, "-c", code, str(folder.path), name]) for name in "abcd"]
    got: list[str] = []
    while any(child.poll() is None for child in children):
        got += inbox.poll()
    got += inbox.poll()
    assert sorted(got) == sorted(f"{name} {n}" for name in "abcd" for n in range(20))
    assert [mark for mark in got if mark.startswith("b")] == [f"b {n}" for n in range(20)]


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("  lamp   on \n", "lamp   on"),
        ("two\nlines\r\nof\ttext", "two lines of text"),
        ("\x1b[31mred\x1b[0m", r"\x1b[31mred\x1b[0m"),
        ("title \x1b]0;x\x07", r"title \x1b]0;x\x07"),
        ("c1 \x9b2J", r"c1 \x9b2J"),
        ("turned \u202eround", r"turned \u202eround"),
        ("line\u2028break\x85here", "line break here"),
        ("nul \x00", r"nul \x00"),
        ("bytes \udcff", r"bytes \udcff"),
        ("Lüfter läuft, 25 °C", "Lüfter läuft, 25 °C"),
        ("x" * LONGEST_MARK, "x" * LONGEST_MARK),
    ],
)
def test_control_characters_are_spelt_out(folder: RunFolder, text: str, read: str) -> None:
    assert drop_mark(folder, text) == read
    assert MarkInbox(folder).poll() == [read]


def test_escape_codes_written_past_us_are_spelt_out_too(folder: RunFolder) -> None:
    (folder.marks / "marks.txt").write_bytes(b"\x1b[2J\xff gone\n" + b"y" * 10_000 + b"\n")
    first, second = MarkInbox(folder).poll()
    assert first == "\\x1b[2J\N{REPLACEMENT CHARACTER} gone"
    assert len(second) == LONGEST_MARK


@pytest.mark.parametrize(("text", "words"), [("", "no text"), (" \n\t", "no text"), ("x" * 501, "501 characters")])
def test_marks_that_are_not_taken(folder: RunFolder, text: str, words: str) -> None:
    with pytest.raises(Usage, match=words):
        drop_mark(folder, text)
    assert MarkInbox(folder).poll() == []


def test_a_run_that_is_over_takes_none(folder: RunFolder, tmp_path: Path) -> None:
    folder.release()
    with pytest.raises(Usage, match=r"this run is not on \(interrupted\); nobody would read the mark"):
        drop_mark(folder.path, "late")
    with pytest.raises(Usage, match="no such run"):
        drop_mark(tmp_path / "nowhere", "x")


def test_half_a_mark_waits_and_spoils_no_other(folder: RunFolder) -> None:
    inbox = MarkInbox(folder)
    (folder.marks / "marks.txt").write_bytes(b"\nhalf a ma")
    assert inbox.poll() == []
    drop_mark(folder, "whole")
    assert inbox.poll() == ["half a ma", "whole"]


def test_a_run_taken_up_again_skips_what_was_read_before(folder: RunFolder) -> None:
    drop_mark(folder, "old")
    inbox = MarkInbox(folder, skip_earlier=True)
    drop_mark(folder, "new")
    assert inbox.poll() == ["new"]


def test_a_marks_folder_that_goes_away_stops_nothing(folder: RunFolder) -> None:
    inbox = MarkInbox(folder)
    drop_mark(folder, "one")
    (folder.marks / "marks.txt").unlink()
    folder.marks.rmdir()
    assert inbox.poll() == []


@pytest.mark.benchmark
def test_looking_for_marks_costs_less_than_listing_a_folder(folder: RunFolder) -> None:
    inbox = MarkInbox(folder)
    drop_mark(folder, "one")
    inbox.poll()
    poll = min(timeit.repeat(inbox.poll, number=1000, repeat=5))
    listing = min(timeit.repeat(lambda: os.listdir(folder.marks), number=1000, repeat=5))
    assert poll < listing


def test_a_file_of_any_length_is_read_in_pieces(folder: RunFolder) -> None:
    place = folder.marks / "marks.txt"
    with open(place, "wb") as file:
        file.truncate(1 << 40)  # a hole: it costs no disk
    inbox = MarkInbox(folder)
    for _ in range(3):
        assert inbox.poll() == []
    place.write_bytes(b"z" * (2 * PIECE_BYTES) + b"\nlamp red\n")
    inbox = MarkInbox(folder)
    assert [mark for _ in range(4) for mark in inbox.poll()][-1] == "lamp red"
