"""``--json``: exactly one document on standard output, whatever happens; words stay on standard error."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from harness.result import SCHEMA_FILE


@pytest.fixture
def made(cli: Any, files: Any, tmp_path: Path, quick: tuple[str, ...]) -> Any:
    """A finished run, as the command told of it."""
    return cli("run", "capacity", *files().words(), *quick, "--out", tmp_path / "runs", "--json")


def test_run_then_show_then_runs(cli: Any, made: Any, tmp_path: Path) -> None:
    assert made.exit_code == 0
    (row,) = made.document["runs"]
    assert (row["procedure"], row["outcome"], row["exit_code"]) == ("capacity", "finished", 0)
    assert row["simulated"] is True
    assert row["end_reason"] == "end volts reached"
    assert row["figures"]["capacity_ah"]["unit"] == "A.h"

    result = cli("show", row["folder"], "--json").document
    jsonschema.validate(result, json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))
    assert result["figures"] == row["figures"]

    listed = cli("runs", "--out", tmp_path / "runs", "--json").document["runs"]
    assert [(one["folder"], one["outcome"], one["simulated"]) for one in listed] == [(row["folder"], "finished", True)]
    assert listed[0]["figures"] == row["figures"]


def test_dry_run_talks_to_nothing(cli: Any, files: Any, sims: list[Any]) -> None:
    document = cli("run", "capacity", *files().words(), "--dry", "--json").document
    assert document["talked_to"] == sims == []
    assert document["plan"]["rate_it"] == 0.2
    assert [step["amps"] for step in document["steps"]] == [-5.0, 0.0, 2.0, 0.0]
    assert document["seconds"] == pytest.approx(sum(step["seconds"] for step in document["steps"]))
    assert document["cautions"]


def test_procedures(cli: Any) -> None:
    document = cli("procedures", "--json").document
    keys = {key["key"]: key for key in document["capacity"]["keys"]}
    assert (keys["rate_it"]["unit"], keys["rate_it"]["default"]) == ("It", "0.2")
    assert keys["end_v"]["default"] is None
    assert all(key["description"] for one in document.values() for key in one["keys"])


def test_simulate_lists(cli: Any) -> None:
    assert "cabinet" in cli("simulate", "--json").document["scenarios"]


def test_simulate_truth_has_the_ids_of_results(cli: Any, made: Any) -> None:
    document = cli("simulate", "porch", "--truth", "--json").document
    assert (document["scenario"], document["seed"], document["simulated"]) == ("porch", None, True)
    measured = made.document["runs"][0]["figures"]
    assert {"capacity_ah", "capacity_wh", "mean_v", "end_v"} <= set(document["figures"]) & set(measured)
    for name in set(document["figures"]) & set(measured):
        assert document["figures"][name]["unit"] == measured[name]["unit"]


REFUSED = [
    (("run", "capacity", "--bench", "nowhere.toml", "--pack", "p.toml"), 2, "nowhere.toml"),
    (("run", "capacity"), 2, "--bench"),
    (("show", "nowhere"), 2, "no such run"),
    (("runs", "--out", "nowhere"), 2, "no such folder"),
    (("simulate", "cabinett"), 2, "did you mean cabinet?"),
    (("demo", "--out", "/proc/runs"), 2, "/proc/runs"),
]


@pytest.mark.parametrize(("given", "code", "words"), REFUSED, ids=[" ".join(row[0]) for row in REFUSED])
def test_a_refusal_is_a_document_too(cli: Any, given: tuple[str, ...], code: int, words: str) -> None:
    told = cli(*given, "--json")
    assert told.exit_code == code
    document = told.document
    assert (document["outcome"], document["exit_code"]) == ("refused", code)
    assert words in document["reason"]
    assert document["reason"] in told.err


def test_a_bench_refused_is_a_document_too(cli: Any, files: Any, tmp_path: Path) -> None:
    told = cli("run", "capacity", *files("asleep").words(), "--out", tmp_path / "runs", "--json")
    assert told.exit_code == told.document["exit_code"] == 11
    assert "asleep" in told.document["reason"]


def test_a_program_error_inside_a_run_is_a_document_too(
    cli: Any, files: Any, tmp_path: Path, quick: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("procedures.capacity.figures", broken, raising=False)
    told = cli("run", "capacity", *files().words(), *quick, "--out", tmp_path / "runs", "--json")
    assert (told.exit_code, told.document["outcome"], told.document["exit_code"]) == (1, "tripped", 1)
    assert "bench off and confirmed" in told.document["reason"]
    (folder,) = (tmp_path / "runs").iterdir()
    assert str(folder) in told.document["reason"]
    assert cli("show", folder, "--json").document["outcome"] == "tripped"
