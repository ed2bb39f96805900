"""Folders of runs named on a command line, without those that hold the report of a verdict.

Reports of verdicts stand beside the runs they were made from, and ``runs/*`` names them all.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from harness.folder import RunFolder

DOCUMENTS = ("verdict.json", "comparison.json")
"""What the report of several runs keeps beside its page."""


def run_folders(places: Iterable[Path | str]) -> list[RunFolder]:
    """The runs; raises ``Usage`` for what is neither a run nor such a report."""
    return [RunFolder.open(place) for place in places if not _is_report(Path(place))]


def _is_report(place: Path) -> bool:
    return not (place / "result.json").exists() and any((place / name).is_file() for name in DOCUMENTS)
