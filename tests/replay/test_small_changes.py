"""One thing in a record changed by hand: a replay says so, wherever it stands."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from corpus_files import unpack

from harness.errors import Usage
from harness.folder import RunFolder
from harness.replay import replay


def event_utc(folder: RunFolder) -> None:
    lines = folder.events_jsonl.read_text().splitlines()
    at = next(at for at, line in enumerate(lines) if '"kind":"energised"' in line)
    lines[at] = lines[at].replace("T21:", "T20:", 1)
    folder.events_jsonl.write_text("\n".join(lines) + "\n")


def result_field(name: str, value: Any) -> Callable[[RunFolder], None]:
    def change(folder: RunFolder) -> None:
        told = json.loads(folder.result_json.read_bytes())
        told[name] = value(told[name])
        folder.result_json.write_text(json.dumps(told))

    return change


def other_limit(bench: dict[str, Any]) -> dict[str, Any]:
    number = next(one for one in bench["limits"] if isinstance(one["value"], float))
    number["value"] += 1.0
    return bench


def message_back_in_time(folder: RunFolder) -> None:
    import gzip

    lines = gzip.decompress(folder.wire_gz.read_bytes()).splitlines() if folder.wire_gz.exists() else None
    lines = folder.wire_jsonl.read_bytes().splitlines() if lines is None else lines
    at = max(at for at, line in enumerate(lines) if b'"told"' not in line)
    told = json.loads(lines[at])
    lines[at] = json.dumps(told | {"elapsed_s": told["elapsed_s"] - 2.0}).encode()
    data = b"\n".join(lines) + b"\n"
    if folder.wire_gz.exists():
        folder.wire_gz.write_bytes(gzip.compress(data))
    else:
        folder.wire_jsonl.write_bytes(data)


CHANGES = {
    "event's calendar time": event_utc,
    "started": result_field("started", lambda told: told.replace("T21:", "T20:")),
    "name": result_field("name", lambda told: told + "x"),
    "limit in force": result_field("bench", other_limit),
    "message back in time": message_back_in_time,
}


@pytest.mark.parametrize("case", ["c-rate-all-steps", "c-rate-killed"])
@pytest.mark.parametrize("what", CHANGES)
def test_is_told(what: str, case: str, tmp_path: Path) -> None:
    (folder,) = unpack(case, tmp_path)
    CHANGES[what](folder)
    if CHANGES[what] is message_back_in_time:
        with pytest.raises(Usage, match="no clock goes back"):
            replay(folder)
    else:
        assert not replay(folder).same
