"""``nightbench fit``: its page, its document, its refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import fit_folders as folders
import jsonschema
import msgspec
import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.errors import Usage
from harness.verdict import Judgement, VerdictMaker, judgement_text, verdict_maker
from procedures.fit import FIT, judge

made = folders.made


pytestmark = pytest.mark.usefixtures("coarse")


def fit(*words: object) -> Any:
    return CliRunner().invoke(main, ["fit", *map(str, words)])


def test_the_command_prints_a_page_of_80_columns(runs: Any) -> None:
    shown = fit(*(folder.path for folder in runs.all()))
    assert shown.exit_code == 0
    assert max(map(len, shown.stdout.splitlines())) <= 80
    assert shown.stdout.isascii()
    assert shown.stdout.startswith("Fits: carries 120 W for ")
    figures = shown.stdout.partition("Line by line")[0]
    assert figures.count("SIMULATED") == 1 + 1 + 7 + 3
    assert "CANNOT TELL" not in shown.stdout


@pytest.mark.parametrize("verdict", ["fits", "does not fit", "cannot tell"])
def test_a_verdict_of_any_class_is_no_failure(runs: Any, verdict: str) -> None:
    if verdict == "does not fit":
        runs.pack = runs.pack.replace("charge_volts_max = 29.2", "charge_volts_max = 27.0")
    some = runs.all()
    shown = fit("--json", *(folder.path for folder in (some[:-1] if verdict == "cannot tell" else some)))
    assert shown.exit_code == 0
    document = json.loads(shown.stdout)
    assert document["verdict"] == verdict
    assert msgspec.convert(document, type=Judgement).simulated


def test_the_document_is_valid_against_its_own_types(runs: Any) -> None:
    document = json.loads(fit("--json", *(folder.path for folder in runs.all())).stdout)
    (root,), definitions = msgspec.json.schema_components([Judgement], ref_template="#/$defs/{name}")
    jsonschema.Draft202012Validator(root | {"$defs": definitions}).validate(document)
    assert set(document["figures"]) <= {
        "charge_share", "usable_ah", "usable_wh", "floor_margin_v", "charge_current_margin_a",
        "discharge_current_margin_a", "load_w_max",
    }  # fmt: skip
    assert list(document["lists"]) == ["runtime_s"]


def test_the_commands_refusals_are_one_line(runs: Any, tmp_path: Path) -> None:
    for asked in ([], [tmp_path / "nowhere"], [tmp_path], [runs.charge(ups=False).path]):
        shown = fit(*asked)
        assert (shown.exit_code, shown.stdout) == (2, "")
        assert shown.stderr.startswith("nightbench: ")
        assert shown.stderr.count("\n") == 1


def test_real_runs_are_not_called_simulated(runs: Any) -> None:
    runs.simulated = False
    assert "SIMULATED" not in judgement_text(judge(runs.all()))


def test_the_maker_is_found_by_name() -> None:
    assert verdict_maker("fit") is FIT
    assert isinstance(FIT, VerdictMaker)
    with pytest.raises(Usage, match="no such verdict is installed"):
        verdict_maker("fits")
