"""Verdicts to report on: the invented pack and UPS of the verdict's own tests, with few points of the integral."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import fit_folders
import pytest

from harness.folder import RunFolder
from harness.report import write_verdict_report

COARSE = {"POINTS": 40, "TURNS": 4, "FINER": 12, "END_TIGHT": 5e-5}


@contextmanager
def coarse() -> Iterator[None]:
    """Pages are looked at here, not the runtime's last per mille."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in COARSE.items():
            patch.setattr(f"procedures.fit_runtime.{name}", value)
        patch.setattr("procedures.fit_shown.LOADS", 8)
        yield


def folders(place: Path, *, pack: str = fit_folders.made.PACK, without: str = "") -> list[RunFolder]:
    """Everything a verdict wants, in ``place``; ``without``: runs of that procedure left out."""
    made = fit_folders.Runs(place, pack=pack).all()
    return [one for one in made if f"-{without}-" not in one.name] if without else made


def written(place: Path, runs: list[RunFolder]) -> Path:
    """The report's page, in ``place``."""
    with coarse():
        return write_verdict_report(runs, place)[0]
