"""No test of this folder waits for the disk."""

from __future__ import annotations

from collections.abc import Iterator

import night
import pytest
import ups_stages


@pytest.fixture(autouse=True)
def _quick() -> Iterator[None]:
    with night.quick():
        yield


@pytest.fixture(scope="session")
def stages(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], dict[ups_stages.Stage, int]]:
    """Scenario and procedure -> stage -> number of its first sample."""
    with night.quick():
        return ups_stages.all_stages(tmp_path_factory.mktemp("whole"))
