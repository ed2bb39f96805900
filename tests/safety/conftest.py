"""No test of this folder waits for the disk."""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import SimpleNamespace

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


@pytest.fixture
def slept(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Sleeps of the guard, which take no time; its clock goes on by them."""
    from harness import guard_acting, guard_outputs, guard_round

    times: list[float] = []
    clock = SimpleNamespace(sleep=times.append, monotonic=lambda: 1000.0 + math.fsum(times))
    for module in (guard_outputs, guard_round, guard_acting):
        monkeypatch.setattr(module, "time", clock)
    return times
