"""A run's folder: made exclusively, safely named, its outcome derived by whoever reads it."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.errors import Usage
from harness.folder import INTERRUPTED, RUNNING, RunFolder, list_runs, prepare_runs_dir, safe_name
from harness.result import Result, write_result

NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)
RESULT = Result(procedure="capacity", name="a", simulated=True, started="2025-01-01T22:00:00.000Z")


def make(runs: Path, name: str = "cellar", started: datetime = NIGHT) -> RunFolder:
    return RunFolder.create(runs, procedure="capacity", name=name, started=started)


def finish(folder: RunFolder) -> None:
    ended = Result(**{**{f: getattr(RESULT, f) for f in RESULT.__struct_fields__}, "outcome": "finished"})
    write_result(folder, ended)
    folder.release()


def test_the_name_is_start_procedure_and_pack(tmp_path: Path) -> None:
    folder = make(tmp_path / "runs")
    assert folder.path == tmp_path / "runs" / "20250101T220000Z-capacity-cellar"
    assert folder.inputs.is_dir()
    assert folder.marks.is_dir()


def test_the_time_in_the_name_is_utc(tmp_path: Path) -> None:
    local = datetime(2025, 1, 2, 0, 30, tzinfo=timezone(timedelta(hours=2)))
    assert make(tmp_path, started=local).name.startswith("20250101T223000Z-")
    with pytest.raises(ValueError, match="has no zone"):
        make(tmp_path, started=local.replace(tzinfo=None))


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("cellar", "cellar"),
        ("Pack A/1", "Pack-A-1"),
        ("../../etc", "etc"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("Zelle ä 12,8 V", "Zelle-a-12-8-V"),
        ("x\x1b[2J\x00y", "x-2J-y"),
        ("-rf", "rf"),
        ("電池", "unnamed"),
        ("a" * 300, "a" * 60),
        ("a" * 59 + " b", "a" * 59),
        (".hidden", "hidden"),
        ("con:prn|*?", "con-prn"),
    ],
)
def test_names_made_safe(tmp_path: Path, name: str, safe: str) -> None:
    assert safe_name(name) == safe
    assert make(tmp_path, name=name).path.parent == tmp_path


def test_two_runs_of_one_second_get_a_folder_each(tmp_path: Path) -> None:
    names = [make(tmp_path).name for _ in range(3)]
    assert names == [f"20250101T220000Z-capacity-cellar{end}" for end in ("", "-2", "-3")]


def test_many_processes_at_once_get_a_folder_each(tmp_path: Path) -> None:
    code = (
        "import sys; from datetime import *; from harness.folder import RunFolder;"
        "print(RunFolder.create(sys.argv[1], procedure='capacity', name='a',"
        " started=datetime(2025, 1, 1, tzinfo=UTC)).name)"
    )
    children = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        for _ in range(6)
    ]
    names = [child.communicate()[0] for child in children]
    assert len(set(names)) == 6 == len(os.listdir(tmp_path))


def test_inputs_are_kept_as_they_were_with_their_hashes(tmp_path: Path) -> None:
    folder = make(tmp_path)
    text = 'name = "bänch"\n'
    digest = folder.add_input("bench.toml", text)
    assert digest == hashlib.sha256(text.encode()).hexdigest()
    folder.add_input("pack.toml", b"cells_in_series = 8\n")
    assert (folder.inputs / "bench.toml").read_bytes() == text.encode()
    assert folder.input_hashes()["bench.toml"] == digest
    assert list(folder.input_hashes()) == ["bench.toml", "pack.toml"]
    assert folder.changed_inputs() == ()


def test_a_checksum_program_accepts_the_list(tmp_path: Path) -> None:
    folder = make(tmp_path)
    folder.add_input("bench.toml", "a = 1\n")
    try:
        done = subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=folder.inputs, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("no sha256sum here")
    assert done.returncode == 0
    assert done.stdout == "bench.toml: OK\n"


def test_inputs_changed_afterwards_are_named(tmp_path: Path) -> None:
    folder = make(tmp_path)
    folder.add_input("bench.toml", "a = 1\n")
    folder.add_input("pack.toml", "b = 1\n")
    (folder.inputs / "bench.toml").write_text("a = 2\n")
    (folder.inputs / "pack.toml").unlink()
    assert RunFolder(folder.path).changed_inputs() == ("bench.toml", "pack.toml")


def test_an_input_is_not_overwritten_and_stays_in_its_folder(tmp_path: Path) -> None:
    folder = make(tmp_path)
    folder.add_input("bench.toml", "a = 1\n")
    for name in ("../../bench.toml", "/bench.toml", "a/../../b.toml", "", "a\nb", "C:b.toml", "a\\b.toml"):
        with pytest.raises(Usage, match="leads outside"):
            folder.add_input(name, "a = 1\n")
    folder.add_input("dialects/mine.toml", "b = 1\n")
    assert (folder.inputs / "dialects" / "mine.toml").read_text() == "b = 1\n"
    assert folder.changed_inputs() == ()
    with pytest.raises(ValueError, match="kept already"):
        folder.add_input("bench.toml", "a = 2\n")
    with pytest.raises(ValueError, match="kept already"):
        folder.add_input("SHA256SUMS", "")


@pytest.mark.parametrize("content", [None, b"", b"{}", b'{"outcome": null}', b'{"outcome": "fini', b"\0" * 64])
def test_without_an_outcome_a_run_is_on_or_interrupted(tmp_path: Path, content: bytes | None) -> None:
    folder = make(tmp_path)
    if content is not None:
        folder.result_json.write_bytes(content)
    reader = RunFolder(folder.path)
    assert folder.outcome() == reader.outcome() == RUNNING
    folder.release()
    assert folder.outcome() == reader.outcome() == INTERRUPTED


def test_the_outcome_written_counts(tmp_path: Path) -> None:
    folder = make(tmp_path)
    write_result(folder, RESULT)
    assert folder.outcome() == RUNNING
    finish(folder)
    assert RunFolder.open(folder.path).outcome() == "finished"


def test_a_run_whose_process_ended_is_interrupted(tmp_path: Path) -> None:
    code = (
        "import sys, os; from datetime import *; from harness.folder import RunFolder;"
        "f = RunFolder.create(sys.argv[1], procedure='capacity', name='a', started=datetime(2025, 1, 1, tzinfo=UTC));"
        "print(f.path); sys.stdout.flush(); sys.stdin.read(); os._exit(9)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        path = Path(child.stdout.readline().strip())
        assert RunFolder(path).outcome() == RUNNING
        child.communicate()
    assert RunFolder(path).outcome() == INTERRUPTED


def test_runs_are_listed_oldest_first_and_nothing_else(tmp_path: Path) -> None:
    later = make(tmp_path, started=NIGHT + timedelta(days=1))
    first = make(tmp_path)
    (tmp_path / "notes.txt").write_text("")
    (tmp_path / "20250101T220000Z-capacity-file").write_text("")
    (tmp_path / "elsewhere").mkdir()
    assert [run.path for run in list_runs(tmp_path)] == [first.path, later.path]


def test_listing_what_is_not_there(tmp_path: Path) -> None:
    assert list_runs(tmp_path) == ()
    with pytest.raises(Usage, match="no such folder"):
        list_runs(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(Usage, match="cannot read it"):
        list_runs(tmp_path / "file")


def test_opening(tmp_path: Path) -> None:
    folder = make(tmp_path)
    with pytest.raises(Usage, match="not a run's folder"):
        RunFolder.open(folder.path)
    finish(folder)
    assert RunFolder.open(str(folder.path)).path == folder.path
    with pytest.raises(Usage, match="a file; name the run's folder"):
        RunFolder.open(folder.result_json)
    with pytest.raises(Usage, match="no such run; `nightbench runs` lists them"):
        RunFolder.open(tmp_path / "nowhere")


def test_places_where_no_run_can_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Usage, match=r"--out .*file: there is a file of this name; name a folder"):
        make(tmp_path / "file")
    with pytest.raises(Usage, match=r"--out .*: cannot write here"):
        make(tmp_path / "file" / "below")
    folder = make(tmp_path / "runs")
    finish(folder)
    with pytest.raises(Usage, match="the folder of one run; name the folder that holds the runs"):
        make(folder.path)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a user whom permissions bind")
def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(Usage, match=r"cannot write here \(Permission denied\); name a folder you may write to"):
        make(tmp_path)


def test_a_refusal_of_the_system_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(Usage, match=r"^--out .*: cannot write here \(Permission denied\); name a folder") as caught:
        prepare_runs_dir(tmp_path / "runs")
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2
