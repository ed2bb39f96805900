"""One unit of a campaign's work, the same record for every part: single faults, pairs, nights without one, the grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

NUISANCE = "nuisance: "
"""How words begin that tell of a night that was ended for nothing: it cost a night, and nobody was in danger."""

NOTE = "note: "
"""How words begin that are kept and count for nothing, as "note: exit 23"."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``key`` is unique within its part and the same in every process; ``run`` spends it in an empty folder and gives
    words for everything that is wrong, an empty list when nothing is."""

    key: str
    run: Callable[[Path], list[str]]


def unsafe(words: list[str]) -> list[str]:
    """Those words that tell of danger, or of a judge that was not pleased."""
    return [text for text in words if not text.startswith((NUISANCE, NOTE))]
