"""The published JSON Schemas, held against real runs of every procedure by a validator that is not ours."""

from __future__ import annotations

import gzip
import json
from collections import Counter
from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from harness.folder import RunFolder
from harness.result import schema_json
from harness.schema_lines import KINDS, SCHEMAS, events_schema, wire_schema

ALIKE = 10
"""Lines of one instrument or kind, with the same fields of the same types: more of them tell nothing new."""

MADE = {"result.schema.json": schema_json, **SCHEMAS}


def published(name: str) -> Draft202012Validator:
    """The file as it lies in the package."""
    raw = (resources.files("harness") / "schemas" / name).read_bytes()
    schema = json.loads(raw)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, format_checker=FormatChecker())


def lines_of(folder: RunFolder, what: str) -> Iterator[dict[str, Any]]:
    packed = folder.path / f"{what}.jsonl.gz"
    raw = gzip.decompress(packed.read_bytes()) if packed.exists() else (folder.path / f"{what}.jsonl").read_bytes()
    return map(json.loads, raw.splitlines())


@pytest.mark.parametrize("name", MADE)
def test_what_is_published_is_what_the_program_makes(name: str) -> None:
    assert (resources.files("harness") / "schemas" / name).read_bytes() == MADE[name](), (
        "run write_schema() of harness/result.py and write_schemas() of harness/schema_lines.py"
    )


@pytest.mark.parametrize("what", ["events", "wire"])
def test_each_line_of_real_runs_is_valid(what: str, real: dict[str, RunFolder], form1: dict[str, RunFolder]) -> None:
    validator = published(f"{what}.schema.json")
    for folder in (*real.values(), *form1.values()):
        lines = list(lines_of(folder, what))
        assert len(lines) > 10
        shapes: Counter[str] = Counter()
        for number, line in enumerate(lines, start=1):
            shape = f"{line.get('name')} {line.get('kind')} {[(key, type(value)) for key, value in line.items()]}"
            shapes[shape] += 1
            if shapes[shape] > ALIKE:
                continue
            wrong = [error.message for error in validator.iter_errors(line)]
            assert not wrong, f"{folder.name}/{what}.jsonl line {number}: {wrong}: {line}"


def test_results_of_real_runs_are_valid(real: dict[str, RunFolder], form1: dict[str, RunFolder]) -> None:
    validator = published("result.schema.json")
    for folder in (*real.values(), *form1.values()):
        found = json.loads(folder.result_json.read_bytes())
        assert not [error.message for error in validator.iter_errors(found)], folder.name


def test_real_runs_have_events_of_the_kinds_that_are_described(real: dict[str, RunFolder]) -> None:
    seen = {line.get("kind") for folder in real.values() for line in lines_of(folder, "events")}
    assert {"preflight", "intent", "energised", "off", "switched", "ended", "limit change", "mark"} <= seen


HEAD = {"recording": "events", "form": 1, "run": "r", "simulated": True, "utc": "2025-01-01T22:00:00.000Z",
        "elapsed_s": 0.0}  # fmt: skip
EVENT = {"elapsed_s": 0.0, "utc": "2025-01-01T22:00:00.000Z", "kind": "energised", "rows": 1, "phase": "sink",
         "on_s": 1.5}  # fmt: skip
GAP = EVENT | {"kind": "gap", "text": "asleep", "seconds": 5.0, "charge_least_ah": 0.0, "charge_most_ah": 1.0}
INTENT = EVENT | {"kind": "intent", "amps": 1.0, "volts": None}
EXCHANGE = {"elapsed_s": 0.0, "name": "load", "sent": "MEAS:CURR?\n", "received": "1.0\n"}
TOLD = {"elapsed_s": 0.0, "name": "clock", "sent": "turn", "told": {"stamp_s": 1.0}}


def without(line: dict[str, Any], *keys: str) -> dict[str, Any]:
    return {key: value for key, value in line.items() if key not in keys}


@pytest.mark.parametrize("line", [HEAD, EVENT, GAP, INTENT, EVENT | {"kind": "never heard of"}], ids=str)
def test_events_that_are_good(line: dict[str, Any]) -> None:
    assert Draft202012Validator(json.loads(events_schema())).is_valid(line)


@pytest.mark.parametrize(
    "line",
    [
        HEAD | {"form": 2},
        HEAD | {"form": 0},
        HEAD | {"recording": "wire"},
        without(HEAD, "run"),
        HEAD | {"more": 1},
        without(EVENT, "rows"),
        EVENT | {"rows": -1},
        EVENT | {"utc": "2025-01-01 22:00"},
        EVENT | {"elapsed_s": "0"},
        without(EVENT, "on_s"),
        without(GAP, "charge_most_ah"),
        GAP | {"seconds": -1.0},
        without(INTENT, "volts"),
        EVENT | {"kind": "off", "result": "perhaps", "reason": "", "how": []},
        EVENT | {"kind": "trip"},
        EVENT | {"kind": ""},
        [],
        7,
    ],
    ids=str,
)
def test_events_that_are_not(line: object) -> None:
    assert not Draft202012Validator(json.loads(events_schema())).is_valid(line)


@pytest.mark.parametrize("line", [EXCHANGE, without(EXCHANGE, "received") | {"error": "no answer"}, TOLD], ids=str)
def test_wire_lines_that_are_good(line: dict[str, Any]) -> None:
    assert Draft202012Validator(json.loads(wire_schema())).is_valid(line)


@pytest.mark.parametrize(
    "line",
    [
        without(EXCHANGE, "sent"),
        without(EXCHANGE, "name"),
        EXCHANGE | {"sent": "\u20ac"},
        EXCHANGE | {"name": "clock"},
        EXCHANGE | {"name": ""},
        EXCHANGE | {"more": 1},
        TOLD | {"name": "load"},
        TOLD | {"received": "x"},
        TOLD | {"told": 1},
    ],
    ids=str,
)
def test_wire_lines_that_are_not(line: dict[str, Any]) -> None:
    assert not Draft202012Validator(json.loads(wire_schema())).is_valid(line)


def test_each_kind_says_what_it_always_has() -> None:
    validator = Draft202012Validator(json.loads(events_schema()))
    for kind, own in KINDS.items():
        bare = {key: EVENT[key] for key in ("elapsed_s", "utc", "rows")} | {"kind": kind}
        missing = {error.message.split("'")[1] for error in validator.iter_errors(bare)}
        assert missing == set(own), kind
