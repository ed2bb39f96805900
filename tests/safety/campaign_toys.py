"""Units that are no nights: for testing the campaign itself."""

from __future__ import annotations

import os
import time
from pathlib import Path

from campaign_units import NUISANCE, Unit


def _good(out: Path) -> list[str]:
    assert list(out.iterdir()) == []
    return []


def _unsafe(out: Path) -> list[str]:
    return ["left on: load"]


def _nuisance(out: Path) -> list[str]:
    return [f"{NUISANCE}exit 21"]


def _raises(out: Path) -> list[str]:
    raise ZeroDivisionError("by a unit")


def _dies(out: Path) -> list[str]:
    os._exit(7)


def _hangs(out: Path) -> list[str]:
    time.sleep(600.0)
    return []


RUNS = {"good": _good, "unsafe": _unsafe, "nuisance": _nuisance, "raises": _raises, "dies": _dies, "hangs": _hangs}


def toys(part: str, seed: int) -> dict[str, Unit]:
    """Units by key: a word of ``RUNS`` and a number; ``part`` is the words that there are, with plus signs."""
    return {f"{word}{n}": Unit(f"{word}{n}", RUNS[word]) for word in part.split("+") for n in range(5)}
