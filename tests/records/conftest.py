"""What the tests of records share: runs of every procedure as they are written now, and two of the first version."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from died import ended
from test_every_procedure import ASKED

from harness.folder import RunFolder

FORM1 = Path(__file__).parent / "form1"


@pytest.fixture(scope="session")
def real(tmp_path_factory: pytest.TempPathFactory) -> dict[str, RunFolder]:
    """One run of every procedure, on a simulated bench in memory."""
    place = tmp_path_factory.mktemp("real")
    return {name: ended(place, name, *sets, scenario=bench).done.folder for name, (bench, sets) in ASKED.items()}


@pytest.fixture
def copied(tmp_path: Path) -> Callable[[RunFolder | Path], RunFolder]:
    """A copy of a run's folder, to be changed."""

    def copy(source: RunFolder | Path) -> RunFolder:
        path = source.path if isinstance(source, RunFolder) else source
        target = tmp_path / "runs" / path.name
        shutil.copytree(path, target, symlinks=True)
        (target / ".running").unlink(missing_ok=True)
        return RunFolder.open(target)

    return copy


@pytest.fixture
def form1(copied: Callable[[RunFolder | Path], RunFolder]) -> dict[str, RunFolder]:
    """The two runs of the first version: one that ended, one that died."""
    return {
        "ended": copied(FORM1 / "20250101T200001Z-c-rate-porch-4s"),
        "died": copied(FORM1 / "20250101T210001Z-capacity-porch-4s"),
    }
