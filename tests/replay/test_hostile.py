"""A record from anybody: whatever it holds, a replay plays it or says in one line why not; it never stops with a
traceback, never leaves the folder, never takes all memory."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from corpus_files import unpack
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import Busy, Usage, UserError
from harness.folder import RunFolder
from harness.replay import replay
from harness.replay_words import lines_of

Unpacked = Callable[[str], RunFolder]
CASE = "capacity-stopped-at-rest"


def lines(folder: RunFolder) -> list[dict[str, Any]]:
    return [json.loads(line) for line in folder.wire_jsonl.read_bytes().splitlines()]


def write(folder: RunFolder, rows: list[Any]) -> None:
    folder.wire_jsonl.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


HEADS: dict[str, dict[str, Any]] = {
    "another recording": {"recording": "events"},
    "a form from the future": {"form": 99},
    "no form": {"form": None},
    "a clock that nobody has": {"clock": "sundial"},
    "a clock that stands still": {"speed": 0.0},
    "a clock that goes back": {"speed": -1.0},
    "a clock without an end": {"zero_s": 1e300},
    "a zero in words": {"zero_s": "noon"},
    "no calendar": {"utc0": "yesterday"},
    "a calendar without a zone": {"utc0": "2025-03-01T21:00:00"},
    "a calendar at its end": {"utc0": "9999-12-31T23:59:59+00:00"},
    "a list": {"utc0": []},
}


@pytest.mark.parametrize("what", HEADS)
def test_a_first_line(what: str, unpacked: Unpacked) -> None:
    folder = unpacked(CASE)
    head, *rows = lines(folder)
    write(folder, [head | HEADS[what], *rows])
    with pytest.raises(UserError) as caught:
        replay(folder)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "row",
    [
        {"elapsed_s": 1e300, "name": "clock", "sent": "turn", "told": {}},
        {"elapsed_s": 0.0, "name": "clock", "sent": "turn", "told": {"stamp_s": "soon", "utc": 1}},
        {"elapsed_s": 0.0, "name": "clock", "sent": "turn", "told": {}},
        {"elapsed_s": 0.0, "name": "computer", "sent": "stop", "told": {"value": {"a": 1}, "looks": 1}},
        {"elapsed_s": 0.0, "name": "computer", "sent": "stop", "told": {"value": "x", "looks": "many"}},
        {"elapsed_s": 0.0, "name": "supply", "sent": "\u20ac"},
        {"elapsed_s": 0.0, "name": 7, "sent": "x"},
        {"elapsed_s": "now", "name": "supply", "sent": "x"},
    ],
    ids=lambda row: json.dumps(row)[:60],
)
def test_a_line_that_no_run_has_written(row: dict[str, Any], unpacked: Unpacked) -> None:
    """In the place of the first turn, and of its stop."""
    folder = unpacked(CASE)
    rows = lines(folder)
    what = "stop" if row["sent"] == "stop" else "turn"
    at = next(number for number, one in enumerate(rows) if one.get("sent") == what)
    rows[at] = row
    write(folder, rows)
    with pytest.raises(Usage) as caught:
        replay(folder)
    assert "wire.jsonl" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_lines_without_end(unpacked: Unpacked) -> None:
    folder = unpacked(CASE)
    head, *rows = lines(folder)
    told = {"elapsed_s": 0.0, "name": "clock", "sent": "instant", "told": {}}
    write(folder, [head, *rows[:100], *[told] * 10_001, *rows[100:]])
    with pytest.raises(Usage, match="lines in a row tell of no instrument"):
        replay(folder)


def test_a_name_that_repaints_the_terminal(unpacked: Unpacked) -> None:
    """Escape codes in a message are spelt out in what is printed."""
    folder = unpacked(CASE)
    rows = lines(folder)
    at = next(number for number, one in enumerate(rows) if one.get("sent") == "MEAS:CURR?\n")
    rows[at]["sent"] = "\x1b[2J\x07" * 60 + "\n"
    write(folder, rows)
    done = replay(folder)
    text = "\n".join(lines_of(done))
    assert not done.same
    assert "\x1b" not in text
    assert "\\x1b[2J" in text
    assert all(len(line) <= 160 for line in text.splitlines())


def test_a_dialect_that_leads_elsewhere(unpacked: Unpacked, tmp_path: Path) -> None:
    folder = unpacked(CASE)
    other = tmp_path / "other.toml"
    other.write_text('kind = "supply"\n')
    bench = folder.inputs / "bench.toml"
    bench.write_text(bench.read_text().replace('dialect = "scpi-supply"', f'dialect = "{other}"'))
    with pytest.raises(UserError) as caught:
        replay(folder)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["../x", "/etc", "..", "x/../../y", ""])
def test_a_run_taken_up_that_leads_elsewhere(name: str, unpacked: Unpacked) -> None:
    folder = unpacked("floor-taken-up")
    result = json.loads(folder.result_json.read_text())
    folder.result_json.write_text(json.dumps(result | {"continued_from": name}))
    if not name:
        assert not replay(folder).same, "it does not go on with anything"
        return
    with pytest.raises(UserError):
        replay(folder)


def test_without_the_run_that_it_takes_up(tmp_path: Path) -> None:
    first, second = unpack("floor-taken-up", tmp_path)
    first.path.rename(tmp_path / "elsewhere")
    with pytest.raises(UserError, match=first.name):
        replay(second)


def test_without_a_tape(unpacked: Unpacked) -> None:
    folder = unpacked(CASE)
    folder.wire_jsonl.unlink()
    with pytest.raises(Usage, match=r"wire\.jsonl: cannot be read"):
        replay(folder)


def test_of_a_run_that_is_on(unpacked: Unpacked, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = unpacked("capacity-killed")
    monkeypatch.setattr(RunFolder, "is_on", lambda self: True)
    with pytest.raises(Busy, match="this run is on"):
        replay(folder)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    return unpack(CASE, tmp_path_factory.mktemp("small"))[-1]


@pytest.fixture(scope="module")
def good(small: RunFolder) -> list[bytes]:
    return small.wire_jsonl.read_bytes().splitlines(keepends=True)


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)
KEYS = st.sampled_from(["elapsed_s", "name", "sent", "received", "error", "told", "value", "looks", "stamp_s", "utc"])


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_line_changed(data: st.DataObject, small: RunFolder, good: list[bytes]) -> None:
    """One line of the tape gets another value under one of its keys, is left out, doubled or cut."""
    at = data.draw(st.integers(0, len(good) - 1))
    changed = list(good)
    match data.draw(st.sampled_from(["value", "told", "gone", "twice", "cut"])):
        case "value":
            changed[at] = json.dumps(json.loads(good[at]) | {data.draw(KEYS): data.draw(VALUES)}).encode() + b"\n"
        case "told":
            row = json.loads(good[at])
            row["told"] = row.get("told", {}) | {data.draw(KEYS): data.draw(VALUES)}
            changed[at] = json.dumps(row).encode() + b"\n"
        case "gone":
            del changed[at]
        case "twice":
            changed.insert(at, good[at])
        case "cut":
            changed[at] = good[at][: data.draw(st.integers(0, len(good[at])))]
    small.wire_jsonl.write_bytes(b"".join(changed))
    try:
        told = lines_of(replay(small))
    except UserError as refusal:
        told = str(refusal).splitlines()
    assert 1 <= len(told) < 25
