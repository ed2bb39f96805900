"""A record followed while it grows: whatever its files are at any moment, nothing raises and no row is invented."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from watched import Running, sample

from harness import following
from harness.folder import RunFolder
from harness.following import Follower, Growing, Trace
from harness.inside import is_plain_file
from harness.samplefile import samples


@pytest.fixture(name="record", scope="module")
def _record(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The bytes of a whole record: twenty rows, a few events."""
    run = Running(tmp_path_factory.mktemp("record"))
    for number in range(20):
        run.goes_on(pack_volts=13.0 + number / 100, flags=("meter: no answer",) if number == 7 else ())
        if number % 5 == 0:
            run.recorder.event("mark", text=f"mark {number}, \x1b[31m")
    run.recorder.close()
    run.folder.release()
    return {name: (run.folder.path / name).read_bytes() for name in ("samples.csv", "events.jsonl")}


def _rows(path: Path) -> list[float]:
    return [one.elapsed_s for one in samples(path)]


CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["samples.csv", "events.jsonl"]),
        st.sampled_from(["grow", "grow", "grow", "truncate", "replace", "garbage", "gone", "folder", "pipe", "link"]),
        st.floats(0.0, 1.0),
        st.binary(max_size=60),
    ),
    max_size=8,
)


def _change(folder: Path, name: str, how: str, share: float, more: bytes, whole: bytes) -> None:
    place = folder / name
    if place.is_dir():
        place.rmdir()
    elif not is_plain_file(place) or how not in ("grow", "garbage", "truncate"):
        place.unlink(missing_ok=True)
    if how == "grow":
        now = place.read_bytes() if place.exists() else b""
        place.write_bytes(whole[: max(len(now), round(share * len(whole)))] if whole.startswith(now) else whole)
    elif how == "truncate" and place.exists():
        os.truncate(place, round(share * place.stat().st_size))
    elif how == "replace":
        place.write_bytes(more * 3)
    elif how == "garbage":
        with open(place, "ab") as file:
            file.write(more + b"\n")
    elif how == "folder":
        place.mkdir()
    elif how == "pipe":
        os.mkfifo(place)
    elif how == "link":
        place.symlink_to("/etc/passwd")


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=CHANGES)
def test_nothing_that_becomes_of_the_files_raises(
    record: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[str, str, float, bytes]]
) -> None:
    run = Running(tmp_path_factory.mktemp("run"))
    follower = Follower(run.folder)
    for name, how, share, more in changes:
        _change(run.folder.path, name, how, share, more, record[name])
        seen = follower.look()
        assert seen.is_on
        assert not any("root:" in str(word) for word in (*seen.trouble, *seen.events))
        for event in seen.events:
            assert "kind" in event
    for name, whole in record.items():
        _change(run.folder.path, name, "replace", 1.0, b"", b"")
        follower.look()
        (run.folder.path / name).write_bytes(whole)
    seen = follower.look()  # whatever was there before, a record that is whole again is read as the reader reads it
    assert seen.last is not None
    assert seen.last.elapsed_s == _rows(run.folder.samples_csv)[-1]
    run.recorder.close()
    run.folder.release()


def test_cut_at_any_byte_rows_are_those_of_the_reader(record: dict[str, bytes], tmp_path: Path) -> None:
    whole = record["samples.csv"]
    run = Running(tmp_path)
    run.recorder.close()
    follower, place = Follower(run.folder), run.folder.samples_csv
    place.write_bytes(b"")
    follower.look()
    for end in (*range(0, len(whole), 37), len(whole)):
        with open(place, "r+b") as file:
            file.write(whole[:end])
        seen = follower.look()
        lines = whole[:end].count(b"\n")
        assert seen.rows == max(0, lines - 1)
        assert not seen.trouble
    assert seen.last is not None
    assert seen.rows == 20
    assert seen.last.elapsed_s == _rows(place)[-1]
    run.folder.release()


def test_a_damaged_row_is_counted_and_left_out(record: dict[str, bytes], tmp_path: Path) -> None:
    run = Running(tmp_path)
    run.recorder.close()
    run.folder.samples_csv.write_bytes(record["samples.csv"].replace(b"13.04", b"13.94"))
    run.folder.events_jsonl.write_bytes(record["events.jsonl"] + b"{broken\n")
    seen = Follower(run.folder).look()
    assert seen.rows == 19
    assert seen.trouble == (
        "1 rows of samples.csv damaged, left out",
        "1 lines of events.jsonl damaged, left out",
    )
    run.folder.release()


def test_simulated_is_known_from_the_first_line(tmp_path: Path) -> None:
    for simulated in (True, False):
        run = Running(tmp_path / str(simulated), simulated=simulated)
        seen = Follower(run.folder).look()
        assert (seen.simulated, seen.live, seen.rows) == (simulated, None, 0)
        run.recorder.close()
        run.folder.release()


def test_a_long_record_is_read_a_piece_at_a_look(
    record: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(following, "PIECE_BYTES", 500)
    run = Running(tmp_path)
    run.recorder.close()
    run.folder.samples_csv.write_bytes(record["samples.csv"])
    follower = Follower(run.folder)
    rows = []
    while (seen := follower.look()).behind:
        rows.append(seen.rows)
    assert rows == sorted(set(rows))
    assert len(rows) > 2
    assert seen.rows == 20
    run.folder.release()


def test_a_file_without_line_ends_is_none_of_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(following, "LINE_MOST_BYTES", 1000)
    place = tmp_path / "samples.csv"
    place.write_bytes(bytes(5000))
    growing = Growing(place)
    assert growing.lines() == []
    assert "not a file of ours" in growing.trouble


@pytest.mark.parametrize("count", [0, 1, 5, 99, 100, 101, 1000])
def test_a_trace_is_thinned_and_keeps_its_ends(count: int) -> None:
    trace = Trace(most=20)
    for number in range(count):
        trace.push(sample(float(number)))
    times = [point[0] for point in trace.points]
    assert times == sorted(set(times))
    assert len(times) <= 22
    assert times[:1] == [0.0][:count]
    assert times[-1:] == [float(count - 1)][: min(count, 1)]


ENDINGS: dict[str, Callable[[Running], object]] = {
    "finished": lambda run: run.ends(),
    "tripped": lambda run: run.ends("tripped", "low volts: 9.1 V", 21),
    "unsafe": lambda run: run.ends("unsafe", "off not confirmed", 99),
    "interrupted": lambda run: run.dies(),
}


@pytest.mark.parametrize("how", ENDINGS)
def test_an_end_is_seen(how: str, tmp_path: Path) -> None:
    run = Running(tmp_path)
    run.goes_on(3)
    run.says()
    follower = Follower(run.folder)
    seen = follower.look()
    assert (seen.outcome, seen.rows, seen.live is not None) == ("running", 3, True)
    ENDINGS[how](run)
    seen = Follower(RunFolder.open(run.folder.path)).look()
    assert (seen.outcome, seen.live, seen.rows) == (how, None, 3)
    assert (seen.result is None) == (how == "interrupted")
    assert seen.simulated


DEEP = b'{"kind": "mark", "text": ' + b"[" * 5000 + b"]" * 5000 + b"}"


def test_what_is_nested_too_deeply_is_damage(tmp_path: Path) -> None:
    """A reader that recurses gives up on it with an error of its own kind: nobody who looks on may end by that."""
    run = Running(tmp_path)
    run.goes_on()
    with open(run.folder.events_jsonl, "ab") as file:
        file.write(DEEP + b"\n")
    (run.folder.path / ".live.json").write_bytes(b'{"what": ' + DEEP + b"}")
    seen = Follower(run.folder).look()
    assert (seen.rows, seen.live) == (1, None)
    assert seen.trouble == ("1 lines of events.jsonl damaged, left out",)
    run.recorder.close()
