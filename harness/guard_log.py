"""What the guard of a run that died wrote beside its record: why it acted, and whether it saw the bench off.

Lines that are torn or not what they should be are passed over: the guard writes while a computer may be going down.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

from harness.badjson import BAD_JSON
from harness.errors import Usage
from harness.folder import RunFolder
from harness.inside import open_inside
from harness.plain import safe_text

GUARD_LOG = "guard.log"
OFF = "off confirmed"


@dataclass(frozen=True, slots=True)
class GuardsWord:
    """``words`` for a person; ``off_at``: when it saw the bench off by the instruments' own word, if it did."""

    words: str
    off_at: datetime | None


def guards_word(folder: RunFolder) -> GuardsWord | None:
    """What the guard did; None where there was none, or it had nothing to do."""
    rows = list(_rows(folder))
    acting = next((row for row in reversed(rows) if row.get("what") == "acting"), None)
    if acting is None:
        return None
    words = f"its guard acted: {safe_text(str(acting.get('why', 'for a reason that is not written')))}"
    last = rows[-1]
    if last.get("what") != OFF:
        return GuardsWord(f"{words}; it did NOT say that the bench was off after it", None)
    took = last.get("took_s")
    after = f" after {took:.1f} s" if isinstance(took, int | float) else ""
    return GuardsWord(f"{words}; off confirmed{after}, by the instruments' own word", _instant(last.get("utc")))


def _rows(folder: RunFolder) -> Any:
    try:
        with open_inside(folder.path / GUARD_LOG) as file:
            lines = file.read().split(b"\n")
    except (OSError, Usage):
        return
    for line in lines:
        with suppress(*BAD_JSON):
            yield msgspec.json.decode(line, type=dict[str, Any])


def _instant(stamp: object) -> datetime | None:
    try:
        found = datetime.fromisoformat(str(stamp))
    except ValueError:
        return None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
