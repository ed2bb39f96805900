"""What was known before a run was let go, as its tape has it."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from harness.barriers import Tried, table
from harness.unattended import Cleared, facts

if TYPE_CHECKING:
    from harness.job import Ready


def cleared_told(cleared: Cleared) -> dict[str, object]:
    """For the tape; the table follows from the rest."""
    return {
        "tried": asdict(cleared.tried),
        "answers": dict(cleared.answers),
        "typed_before": cleared.typed_before,
        "watched_for": cleared.watched_for,
        "table": bool(cleared.rows),
    }


def cleared_of(ready: Ready, told: dict[str, Any]) -> Cleared:
    """As it was told. Raises what its types raise for what was not told so."""
    tried = Tried(**told["tried"])
    rows = table(facts(ready), tried) if told["table"] else ()
    return Cleared(tried, told["answers"], str(told["typed_before"]), rows, str(told["watched_for"]))
