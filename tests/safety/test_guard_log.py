"""What the guard of a dead run wrote, in words; each line by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.guard_log import GuardsWord, guards_word

ACTED = {"what": "acting", "why": "the run has died"}
OFF = {"what": "off confirmed", "took_s": 1.25, "utc": "2026-03-01T02:03:04Z"}
AT = datetime(2026, 3, 1, 2, 3, 4, tzinfo=UTC)
SEEN = "its guard acted: the run has died; off confirmed after 1.2 s, by the instruments' own word"
NOT_SEEN = "; it did NOT say that the bench was off after it"


@pytest.mark.parametrize(
    ("rows", "words", "off_at"),
    [
        ([{"what": "armed"}, ACTED, OFF], SEEN, AT),
        ([ACTED, {"what": "unsafe"}], "its guard acted: the run has died" + NOT_SEEN, None),
        ([ACTED, OFF, {"what": "acting", "why": "silence"}], "its guard acted: silence" + NOT_SEEN, None),
        ([{"what": "acting", "why": "silence"}, ACTED, OFF], SEEN, AT),
        ([{"what": "acting"}], "its guard acted: for a reason that is not written" + NOT_SEEN, None),
        ([{"what": "acting", "why": "\x1b[31mred"}], r"its guard acted: \x1b[31mred" + NOT_SEEN, None),
        ([ACTED, OFF | {"took_s": 2}], SEEN.replace("1.2 s", "2.0 s"), AT),
        ([ACTED, OFF | {"took_s": "long"}], SEEN.replace(" after 1.2 s", ""), AT),
        ([ACTED, OFF | {"utc": "2026-03-01T02:03:04"}], SEEN, AT),
        ([ACTED, OFF | {"utc": "2026-03-01T04:03:04+02:00"}], SEEN, AT),
        ([ACTED, OFF | {"utc": "soon"}], SEEN, None),
        ([ACTED, {"what": "off confirmed"}], SEEN.replace(" after 1.2 s", ""), None),
    ],
)
def test_in_words(rows: list[dict[str, Any]], words: str, off_at: datetime | None, tmp_path: Path) -> None:
    (tmp_path / "guard.log").write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    assert guards_word(SimpleNamespace(path=tmp_path)) == GuardsWord(words, off_at)  # type: ignore[arg-type]


def test_an_instant_is_kept_as_it_was_written(tmp_path: Path) -> None:
    row = OFF | {"utc": "2026-03-01T04:03:04+02:00"}
    (tmp_path / "guard.log").write_text(f"{json.dumps(ACTED)}\n{json.dumps(row)}", encoding="utf-8")
    found = guards_word(SimpleNamespace(path=tmp_path))  # type: ignore[arg-type]
    assert found is not None
    assert found.off_at is not None
    assert found.off_at.tzinfo == timezone(timedelta(hours=2))


@pytest.mark.parametrize("text", [None, "", '{"what": "armed"}\n{"what": "ended"}\n', '{"what": "acti'])
def test_one_that_had_nothing_to_do(text: str | None, tmp_path: Path) -> None:
    if text is not None:
        (tmp_path / "guard.log").write_text(text, encoding="utf-8")
    assert guards_word(SimpleNamespace(path=tmp_path)) is None  # type: ignore[arg-type]


def test_a_torn_line_is_passed_over(tmp_path: Path) -> None:
    lines = [b'\xff\x00{"what', json.dumps(ACTED).encode(), b"[1, 2]", json.dumps(OFF).encode(), b'{"what": "of']
    (tmp_path / "guard.log").write_bytes(b"\n".join(lines))
    assert guards_word(SimpleNamespace(path=tmp_path)) == GuardsWord(SEEN, AT)  # type: ignore[arg-type]
