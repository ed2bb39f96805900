"""A few of the nights of ``ill_wire.py``: real sockets and pseudo-terminals, second clients on them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from ill_wire import one, plain_ones


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return plain_ones(tmp_path_factory.mktemp("plain"))


def faults(seeds: range, place: Path, plain: Any) -> list[str]:
    found = []
    for seed in seeds:
        drawn, wrong, _ = one(seed, place, plain)
        found += [f"{drawn}: {text}" for text in wrong]
    return found


@pytest.fixture(autouse=True)
def _state(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each night has a state of its own; afterwards it is the suite's again."""
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


# -- pytest -m slow tests/safety/test_ill_wire.py ----------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("first", range(1000, 1200, 50))
def test_drawn_nights_over_real_lines(first: int, plain: Any, tmp_path: Path) -> None:
    assert faults(range(first, first + 50), tmp_path, plain) == []
