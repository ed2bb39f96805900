"""``nightbench replay`` and ``pytest --nightbench-runs``: what is printed, and the exit codes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from corpus_files import unpack

import harness.channels
from harness.cli import main
from harness.folder import RunFolder
from harness.replay import replay
from harness.replay_words import lines_of
from harness.sums import write_sums

Unpacked = Callable[[str], RunFolder]


def typed(*words: Any) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return getattr(done.exception, "exit_code", -1), done.stdout, str(done.exception)
    return done.exit_code, done.stdout, done.stderr


def test_as_recorded(unpacked: Unpacked) -> None:
    folder = unpacked("capacity-to-its-end-volts")
    code, out, err = typed("replay", folder.path)
    assert (code, err) == (0, "")
    assert out == f"{folder.name}: as recorded: 18 samples, 17 events, 321 exchanges, 10 figures\n"


def test_a_run_that_died(unpacked: Unpacked) -> None:
    code, out, _ = typed("replay", unpacked("floor-killed").path)
    assert code == 0
    assert "figures" not in out.splitlines()[0]
    assert "  note: the run did not come to its end: played as far as its tape goes\n" in out


def test_one_of_two_differs(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    good, other = unpacked("capacity-stopped"), unpacked("capacity-to-its-end-volts")
    monkeypatch.setattr(harness.channels, "BLEED_SHARE", 0.5)
    code, out, err = typed("replay", good.path, other.path)
    assert code == 1
    assert out.count("as recorded") == 2
    assert "NOT as recorded; the first of each kind that differs:\n  figure: capacity_ah\n    this version: " in out
    assert err == "1 of 2 runs are not as recorded\n"


def test_json(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = unpacked("capacity-to-its-end-volts")
    monkeypatch.setattr(harness.channels, "BLEED_SHARE", 0.5)
    code, out, _ = typed("replay", folder.path, "--json")
    assert code == 1
    (told,) = json.loads(out)["runs"]
    assert (told["same"], told["whole"], told["samples"], told["exchanges"]) == (False, True, 18, 321)
    assert [one["what"] for one in told["differences"]] == ["figure"]


def test_a_file_that_was_changed_is_told(unpacked: Unpacked) -> None:
    folder = unpacked("capacity-to-its-end-volts")
    write_sums(folder)
    assert lines_of(replay(folder))[1:] == []
    row = folder.samples_csv.read_bytes()
    folder.samples_csv.write_bytes(row.rpartition(b"\r\n")[0])
    assert any(line.startswith("  note: samples.csv: not as at the run's end") for line in lines_of(replay(folder)))


def test_another_input_is_refused(unpacked: Unpacked) -> None:
    folder = unpacked("capacity-to-its-end-volts")
    pack = folder.inputs / "pack.toml"
    pack.write_text(pack.read_text() + "\n# looked at again\n")
    code, _, err = typed("replay", folder.path)
    assert code == 2
    assert "inputs/pack.toml: not as the run used it" in err


def test_what_is_no_run(tmp_path: Path) -> None:
    code, _, err = typed("replay", tmp_path / "nothing")
    assert code == 2
    assert "no such run" in err


# -- as tests ----------------------------------------------------------------------------------------------------------


def pytest_on(place: Path, *runs: str, inject: str) -> subprocess.CompletedProcess[str]:
    """pytest of its own, in a folder with no tests of its own."""
    (place / "conftest.py").write_text(inject, encoding="utf-8")
    words = [word for run in runs for word in ("--nightbench-runs", run)]
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:hypothesispytest",
        "-p",
        "no:xdist",
    ]
    environment = os.environ | {"COLUMNS": "150"}
    return subprocess.run([*command, *words], cwd=place, env=environment, capture_output=True, text=True, timeout=60)


CHANGED = """
import harness.channels
harness.channels.BLEED_SHARE = 0.5
"""


def test_runs_of_ones_own_as_tests(tmp_path: Path) -> None:
    """One that is as recorded, one that is not, one that cannot be played; named on the command line, one and many."""
    (alone,) = unpack("capacity-killed", tmp_path / "alone")
    (good,) = unpack("capacity-stopped", tmp_path / "runs")
    good.path.rename(tmp_path / "runs" / "20250301T210002Z-good")
    unpack("capacity-to-its-end-volts", tmp_path / "runs")
    (damaged,) = [path for path in (tmp_path / "runs").iterdir() if "good" not in path.name]
    (tmp_path / "more").mkdir()
    broken = tmp_path / "more" / damaged.name
    broken.mkdir()
    (broken / "events.jsonl").write_text("")
    done = pytest_on(tmp_path, "runs", str(alone.path), "more", inject=CHANGED)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "2 failed, 2 passed" in done.stdout
    assert "NOT as recorded; the first of each kind that differs:" in done.stdout
    assert "  figure: capacity_ah" in done.stdout
    assert "result.json: not there" in done.stdout
    assert "Traceback" not in done.stdout


def test_a_folder_without_runs(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    done = pytest_on(tmp_path, "empty", inject="")
    assert done.returncode == 4
    assert "no run in it; name the folder that holds them" in done.stderr
