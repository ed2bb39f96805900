"""One unit of a campaign's work, the same record for every part: single faults, pairs, nights without one, the grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

NUISANCE = "nuisance: "
"""How words begin that tell of a night that was ended for nothing: it cost a night, and nobody was in danger."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``key`` is unique within its part and the same in every process; ``run`` spends it in an empty folder and gives
    words for everything that is wrong, an empty list when nothing is."""

    key: str
    run: Callable[[Path], list[str]]
