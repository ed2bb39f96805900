"""result.json: the structs, the file, the published schema."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import jsonschema
import msgspec
import pytest

from harness.errors import Usage
from harness.folder import RunFolder
from harness.result import (
    SCHEMA_FILE,
    BenchUsed,
    BudgetLine,
    Condition,
    Figure,
    InstrumentUsed,
    Limit,
    OffConfirmation,
    Outcome,
    Result,
    Software,
    Verdict,
    load_result,
    schema_json,
    to_json,
    write_result,
)

LEAST = Result(procedure="capacity", name="cellar", simulated=False, started="2025-01-01T22:00:00.000Z")
FULL = Result(
    procedure="capacity",
    name="cellar",
    simulated=True,
    started="2025-01-01T22:00:00.000Z",
    ended="2025-01-02T03:01:12.000Z",
    outcome="finished",
    exit_code=0,
    end_reason="end voltage reached",
    duration_s=18072.0,
    plan={"rate_it": 0.2, "end_volts": 20.0, "rest_s": 3600, "end_at": "pack", "unattended": False, "mark": None},
    figures={
        "capacity_ah": Figure(
            value=9.87312,
            unit="A.h",
            expanded_uncertainty=0.05186,
            coverage_factor=2.0,
            dof=None,
            budget=(BudgetLine(source="load current", standard_uncertainty=0.0259, unit="A.h", basis="data sheet"),),
            basis="trapezoid over the samples",
        ),
        "latched": Figure(value=True, unit=""),
    },
    lists={
        "steps": (
            {"amps": Figure(value=5.0, unit="A", expanded_uncertainty=0.03), "held": True, "step_end": "held"},
            {"amps": Figure(value=10.0, unit="A"), "held": False, "opened_s": 3.2, "rise_k": None, "it": 1},
        ),
        "pulses": (),
    },
    not_measured={"recovery_v": "the rest was cut short"},
    verdicts=(
        Verdict(about="capacity", verdict="pass", sentence="the pack holds 99 % of its rated charge."),
        Verdict(about="site", verdict="not judged", sentence="no [site].", runs=("a", "b"), settles="a [site] table"),
    ),
    conditions={"rate": Condition(value=0.2, unit="1"), "volts at": Condition(value="pack terminals")},
    bench=BenchUsed(
        name="cellar bench",
        instruments=(
            InstrumentUsed(name="sink", role="load", address="TCPIP::127.0.0.1::5025::SOCKET", identity="a,b,c,d",
                           dialect="scpi-load", accuracy="0.5 % of reading + 0.1 % of range", accuracy_assumed=True),
        ),
        limits=(Limit(what="lowest volts", value=19.6, unit="V", source="chemistry"),),
        wiring=("load leads 20 mohm",),
    ),
    off_confirmation=OffConfirmation(confirmed=True, how="pack volts rebounded", witness="meter", last_amps=0.0,
                                     last_volts=26.1, after_s=0.4),
    cautions=("not measured: cell volts",),
    rows=18072,
    software=Software(nightbench="0.1.0", packages={"numpy": "2.0"}),
    hashes={"bench.toml": "0" * 64},
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    return RunFolder.create(tmp_path, procedure="capacity", name="a", started=datetime(2025, 1, 1, tzinfo=UTC))


@pytest.fixture(scope="module")
def checker() -> jsonschema.Draft202012Validator:
    schema = json.loads(SCHEMA_FILE.read_bytes())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_published_schema_is_current() -> None:
    words = "run: python -c 'from harness.result import write_schema; write_schema()'"
    assert SCHEMA_FILE.read_bytes() == schema_json(), words
    assert json.loads(schema_json())["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("result", [LEAST, FULL], ids=["least", "full"])
def test_a_result_is_valid_and_comes_back_equal(
    folder: RunFolder, checker: jsonschema.Draft202012Validator, result: Result
) -> None:
    write_result(folder, result)
    checker.validate(json.loads(folder.result_json.read_bytes()))
    assert load_result(folder) == result


def test_a_new_result_takes_the_place_of_the_old(folder: RunFolder) -> None:
    write_result(folder, LEAST)
    write_result(folder, FULL)
    assert load_result(folder) == FULL
    assert not list(folder.path.glob("*.part"))


@pytest.mark.parametrize(
    "change",
    [
        {"outcome": "done"},
        {"simulated": "yes"},
        {"figures": {"x": {"value": "1.0", "unit": "V"}}},
        {"figures": {"x": {"value": 1.0}}},
        {"figures": {"x": {"value": 1.0, "unit": "V", "expanded_uncertainty": -1.0}}},
        {"figures": {"x": {"value": 1.0, "unit": "V", "coverage_factor": 0.0}}},
        {"verdicts": [{"about": "x", "verdict": "maybe", "sentence": ""}]},
        {"verdicts": [{"about": "x", "verdict": "pass", "sentence": "", "runs": "a"}]},
        {"lists": {"steps": {"amps": 1.0}}},
        {"lists": {"steps": [{"amps": [1.0]}]}},
        {"lists": {"steps": [{"amps": {"value": 1.0}}]}},
        {"lists": {"steps": [{"amps": {"value": 1.0, "unit": "A", "u": 0.1}}]}},
        {"figuers": {}},
        {"rows": -1},
    ],
)
def test_reader_and_schema_refuse_the_same(
    folder: RunFolder, checker: jsonschema.Draft202012Validator, change: dict[str, object]
) -> None:
    document = {**json.loads(to_json(FULL)), **change}
    assert not checker.is_valid(document)
    folder.result_json.write_text(json.dumps(document))
    with pytest.raises(Usage, match=re.escape(f"{folder.result_json}: ")):
        load_result(folder)


@pytest.mark.parametrize("key", ["procedure", "name", "simulated", "started"])
def test_what_every_result_must_say(folder: RunFolder, checker: jsonschema.Draft202012Validator, key: str) -> None:
    document = json.loads(to_json(FULL))
    del document[key]
    assert not checker.is_valid(document)
    folder.result_json.write_text(json.dumps(document))
    with pytest.raises(Usage, match=key):
        load_result(folder)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_figure_is_a_finite_number(value: float) -> None:
    with pytest.raises(ValueError, match=r"value is .*say why in not_measured"):
        Figure(value=value, unit="V")
    with pytest.raises(ValueError, match="U is "):
        Figure(value=1.0, unit="V", expanded_uncertainty=value)
    with pytest.raises(ValueError, match="budget line 'meter'"):
        BudgetLine(source="meter", standard_uncertainty=value, unit="V", basis="data sheet")


def test_a_result_that_would_not_read_back_is_not_written(folder: RunFolder) -> None:
    wrong = Result(procedure="capacity", name="a", simulated=False, started="", outcome="done")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="outcome"):
        write_result(folder, wrong)
    assert not folder.result_json.exists()


FIGURE = Figure(value=1.0, unit="V")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"figures": {"Floor V": FIGURE}}, "'Floor V' is no id; wanted lower-case letters, digits and _"),
        ({"figures": {"": FIGURE}}, "'' is no id"),
        ({"lists": {"steps-1": ()}}, "'steps-1' is no id"),
        ({"lists": {"steps": ({"1s": FIGURE},)}}, "'1s' is no id"),
        ({"lists": {"capacity_ah": ()}}, "capacity_ah is there twice"),
        ({"not_measured": {"capacity_ah": "why"}}, "capacity_ah is there twice"),
        ({"not_measured": {"steps": "why"}}, "steps is there twice"),
    ],
)
def test_ids_are_checked(folder: RunFolder, changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        write_result(folder, msgspec.structs.replace(FULL, **changes))
    assert not folder.result_json.exists()


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "no JSON"),
        (b'{"schema": ', "no JSON"),
        (b"[]", "says nothing of its form"),
        (b'{"schema": "nightbench/result/2"}', "form 2, this nightbench reads up to form 1: written by a newer"),
        (b'{"schema": "nightbench/result/1"}', "procedure"),
    ],
)
def test_files_that_are_no_result(folder: RunFolder, raw: bytes, words: str) -> None:
    folder.result_json.write_bytes(raw)
    with pytest.raises(Usage, match=words) as caught:
        load_result(folder)
    assert "\n" not in str(caught.value)


def test_a_run_without_a_result_says_what_is_still_good(folder: RunFolder) -> None:
    with pytest.raises(Usage, match=r"did not end normally; samples\.csv is still good"):
        load_result(folder)


def test_the_outcome_words_are_those_of_the_exit_codes() -> None:
    assert get_args(Outcome) == ("finished", "stopped", "tripped", "interrupted", "refused", "unsafe")
