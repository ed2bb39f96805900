"""A real run, killed on a served bench, and what a person does next: show, resume, safe, resume, run again.

The one real process of this folder; it waits some seconds, bounded. Its guard, where there is one, is killed with it:
what switches off then is what this is about.
"""

from __future__ import annotations

import json
import os
import signal
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from guarded import Run, run

from harness.cli import main
from harness.folder import list_runs
from harness.samplefile import samples


def nightbench(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def kill(live: Run) -> None:
    with suppress(OSError, ValueError):
        os.kill(live.guard_pid(), signal.SIGKILL)
    live.process.kill()
    live.process.communicate()


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "bench" / "state"))


@pytest.mark.usefixtures("state")
def test_killed_shown_made_safe_resumed(tmp_path: Path) -> None:
    with run(tmp_path / "bench") as live:
        runs = live.place / "runs"
        live.until(lambda: len(list_runs(runs)) == 1 and _rows(runs) > 12, "some rows")
        seen = _rows(runs)
        kill(live)
        (folder,) = list_runs(runs)
        rows = len(list(samples(folder)))
        assert rows >= seen, "what was on the disk before is there after"
        before = {place: place.read_bytes() for place in folder.path.rglob("*") if place.is_file()}

        page = nightbench("show", folder.path).output
        assert "did not end normally" in page
        assert f"{rows} samples" in page
        assert "at least" in page

        told = nightbench("resume", folder.path, "--seen-off", "anything")
        assert told.exit_code == 30, told.output
        assert "may be live" in " ".join(told.output.split())
        assert live.control.truth()["load_on"], "it has said so and done nothing"
        assert nightbench("run", "capacity", *_files(live), "--out", runs).exit_code == 30

        assert nightbench("safe", "--bench", live.place / "bench.toml").exit_code == 0
        assert live.control.is_off()

        told = nightbench("resume", folder.path)
        assert told.exit_code == 11
        assert "nobody is there to say so" in " ".join(told.stderr.split())
        told = nightbench("resume", folder.path, "--seen-off", _serial(folder.path), "--json")
        assert told.exit_code == 0, told.output
        document = json.loads(told.stdout)
        figure = document["interrupted"]["figures"]["capacity_ah"]
        assert (figure["bound"], document["runs"]) == ("at least", [])
        assert document["interrupted"]["gap"] is None, "its time went ten times as fast as the calendar's"
        assert "begin anew" in document["next"]
        assert live.control.is_off(), "nothing is switched on by it"
        assert {place: place.read_bytes() for place in before} == before
        assert [one.path for one in list_runs(runs)] == [folder.path]


def _rows(runs: Path) -> int:
    return sum(one.samples_csv.read_bytes().count(b",sinking,") for one in list_runs(runs) if one.samples_csv.exists())


def _files(live: Run) -> tuple[Any, ...]:
    return ("--bench", live.place / "bench.toml", "--pack", live.place / "pack.toml")


def _serial(folder: Path) -> str:
    told = json.loads((folder / "result.json").read_bytes())
    return next(one["serial"] for one in told["bench"]["instruments"] if one["role"] == "load")
