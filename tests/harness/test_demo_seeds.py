"""The demo on drawn benches: figures within what they say of themselves, verdicts as the truth is."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _neighbour(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"harness_{name}", Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


seeds = _neighbour("demo_seeds")


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_thirty_benches() -> None:
    every = list(seeds.drawn(range(1, 31)))
    told = "\n".join(seeds.table(every))
    rows = [row for one in every for row in one.rows]
    assert sum(row.ratio <= 1.0 for row in rows) >= seeds.SHARE_WITHIN * len(rows), told
    assert all(row.ratio <= seeds.MOST_RATIO for row in rows), told
    assert not any(one.contradicts for one in every), told
    assert len({one.true["verdict"] for one in every}) >= 2, "the draws hold more than one class"
    for name in ("does not fit", "fits with conditions"):
        said = [one.verdict.verdict for one in every if one.true["verdict"] == name]
        assert name in said, f"where the truth is {name}, it is said so at least once: {told}"


@pytest.mark.timeout(300)
def test_one_bench() -> None:
    """The whole job in memory, on a bench nobody has looked at."""
    one = next(seeds.drawn([11]))
    assert one.verdict is not None, one.ended
    assert len(one.rows) > 25
    assert not one.contradicts
    assert all(row.ratio <= seeds.MOST_RATIO for row in one.rows)
