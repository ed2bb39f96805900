"""``nightbench resume`` as typed: one page, or one JSON document, and refusals in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from died import Ended, cut, ended

from harness.folder import RunFolder
from harness.one_run import resumed_by_one

SETS = ("idle_s=0", "mains_wait_s=45", "start_v=24", "lowest_v=18")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Ended:
    return ended(tmp_path_factory.mktemp("whole"), "voltage-floor", *SETS, scenario="cabinet")


@pytest.fixture
def folder(whole: Ended, tmp_path: Path) -> RunFolder:
    return cut(whole.done.folder, tmp_path, rows=int(0.3 * whole.rows))


def serial(folder: RunFolder) -> str:
    told = json.loads(folder.result_json.read_bytes())
    return next(one["serial"] for one in told["bench"]["instruments"] if one["role"] == "supply")


def test_a_sweep_goes_on(cli: Any, folder: RunFolder) -> None:
    told = cli("resume", folder.path, "--seen-off", serial(folder))
    assert told.exit_code == 0, told.err
    text = " ".join(told.out.split())
    assert "the UPS drops its load at 21.0" in text
    assert "lowest volts held" in text
    said = " ".join(told.err.split())
    assert "voltage-floor, and it did not end normally" in said
    assert "nothing was switched on" in said
    assert "Where it stands: the coarse staircase had held" in said
    (new,) = [one for one in folder.path.parent.iterdir() if one != folder.path]
    assert json.loads((new / "result.json").read_bytes())["continued_from"] == folder.name
    assert f"goes on from {folder.name}" in " ".join(cli("show", new).out.split())


def test_as_one_document(cli: Any, folder: RunFolder, tmp_path: Path) -> None:
    told = cli("resume", folder.path, "--seen-off", serial(folder), "--out", tmp_path / "elsewhere", "--json")
    document = told.document
    assert document["interrupted"]["outcome"] == "interrupted"
    assert "last_good_v" in document["interrupted"]["figures"]
    (run,) = document["runs"]
    assert run["end_reason"] == "cut-off"
    assert Path(run["folder"]).parent == tmp_path / "elsewhere"


def test_nobody_there(cli: Any, folder: RunFolder, sims: list[Any]) -> None:
    told = cli("resume", folder.path)
    assert told.exit_code == 11
    assert "nobody is there to say so" in " ".join(told.err.split())
    assert sims == [], "the bench was not even spoken to"


def test_refusals_are_one_line(cli: Any, whole: Ended, folder: RunFolder, tmp_path: Path) -> None:
    cli("resume", tmp_path / "nothing").refused(2, "no such run")
    cli("resume", whole.done.folder.path).refused(2, "came to its end (finished)")
    folder.samples_csv.write_bytes(b"")
    cli("resume", folder.path).refused(2, "empty, not even a header")
    document = cli("resume", folder.path, "--json").document
    assert (document["outcome"], document["exit_code"]) == ("refused", 2)


def test_while_somebody_else_resumes_it(cli: Any, folder: RunFolder, sims: list[Any]) -> None:
    with resumed_by_one(folder):
        cli("resume", folder.path, "--seen-off", serial(folder)).refused(12, "another `resume` of this run is on")
    assert sims == []
    assert [one for one in folder.path.parent.iterdir() if one != folder.path] == []
