"""SHA256SUMS of a finished run, and what is told when something has changed since."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from damage import call

from harness.folder import RunFolder
from harness.sums import SUMS, UNKNOWN, changes, finished_files, read_sums, write_sums

Copied = Callable[[RunFolder | Path], RunFolder]


@pytest.fixture
def ended(real: dict[str, RunFolder], copied: Copied) -> RunFolder:
    return copied(real["c-rate"])


def test_every_run_has_them_and_nothing_has_changed(real: dict[str, RunFolder]) -> None:
    for folder in real.values():
        told = read_sums(folder)
        assert {"result.json", "samples.csv", "events.jsonl", "wire.jsonl.gz", "inputs/bench.toml"} <= told.keys()
        assert told["result.json"] == hashlib.sha256(folder.result_json.read_bytes()).hexdigest()
        assert changes(folder) == ()


def test_another_program_checks_them(ended: RunFolder) -> None:
    # GNU coreutils, where there are any; the two-column form is theirs.
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    check = ["sha256sum", "--check", "--strict", "--quiet", SUMS]
    assert subprocess.run(check, cwd=ended.path, capture_output=True).returncode == 0
    ended.events_jsonl.write_bytes(ended.events_jsonl.read_bytes() + b"\n")
    assert subprocess.run(check, cwd=ended.path, capture_output=True).returncode == 1


NO_SUM = f"{SUMS}: line 1 is no checksum and name; what has changed since the run cannot be told"


def _more(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\n")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda path: _more(path / "samples.csv"), ("samples.csv: not as at the run's end",)),
        (lambda path: (path / "wire.jsonl.gz").unlink(), ("wire.jsonl.gz: gone since the run's end",)),
        (lambda path: (path / "new.txt").write_text("x"), ("new.txt: was not there at the run's end",)),
        (lambda path: (path / SUMS).unlink(), (UNKNOWN,)),
        (lambda path: (path / SUMS).write_text("x\n"), (NO_SUM,)),
        (lambda path: (path / SUMS).write_text(f"{'0' * 64}  ../../secret\n"), ()),
        (lambda path: (path / "report.html").write_text("made anew"), ()),
        (lambda path: (path / ".hidden").write_text("x"), ()),
    ],
)  # fmt: skip
def test_what_has_changed_is_told(change: Callable[[Path], object], told: tuple[str, ...], ended: RunFolder) -> None:
    change(ended.path)
    found = changes(ended)
    if (ended.path / SUMS).exists() and b"secret" in (ended.path / SUMS).read_bytes():
        assert found[0] == "../../secret: leads out of the run's folder, and is not read"
        return
    assert found == told
    page = call("show", str(ended.path)).text
    assert all(" ".join(one.split()) in page for one in told)


def test_a_run_that_died_has_none_and_says_nothing_of_them(form1: dict[str, RunFolder]) -> None:
    assert changes(form1["died"]) == ()
    assert changes(form1["ended"]) == (UNKNOWN,)


def test_neither_links_nor_pipes_nor_hidden_files_are_in_it(ended: RunFolder, tmp_path: Path) -> None:
    (tmp_path / "secret.txt").write_text("x")
    (ended.path / "link.txt").symlink_to(tmp_path / "secret.txt")
    (ended.path / "way").symlink_to(tmp_path)
    (ended.path / ".live.json").write_text("{}")
    write_sums(ended)
    names = set(finished_files(ended.path))
    assert names == set(read_sums(ended))
    assert not {name for name in names if "link" in name or "way" in name or "live" in name}


def test_a_guard_that_goes_on_writing_is_left_out(ended: RunFolder) -> None:
    (ended.path / "guard.log").write_text("{}\n")
    write_sums(ended, guard_goes_on=True)
    (ended.path / "guard.log").write_text("{}\n{}\n")
    assert changes(ended) == ()
