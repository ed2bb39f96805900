"""``nightbench safe`` on ill-mannered benches; and off is not said of an output that is not on this pack."""

from __future__ import annotations

from pathlib import Path

import pytest
from ill_safe import SOURCES, one, safe

from sims.manners import Manners

THREE = {"supply": Manners(shape="select", channels=3, wired_channel=1)}


@pytest.mark.parametrize("fitted", [SOURCES, (*SOURCES, "contactor")], ids=["", "contactor"])
def test_another_channel_that_is_off_is_not_ours(fitted: tuple[str, ...], tmp_path: Path) -> None:
    """Ours, invented: the bench file named another output than the one with the leads. That one was off, which was
    said; the one with the leads went on charging."""
    code, said, bench = safe(tmp_path, fitted, THREE, ("channel = 1", "channel = 2"), "supply")
    assert bench.world.supply.output_on
    assert code == 99
    assert "TREAT THE BENCH AS LIVE" in said
    assert "supply is off and reads" in said
    assert "another channel" in said


@pytest.mark.parametrize("what", ["supply", "load", "both", "nothing"])
@pytest.mark.parametrize("fitted", [SOURCES, (*SOURCES, "contactor")], ids=["", "contactor"])
def test_the_right_one_is_seen_to_be(fitted: tuple[str, ...], what: str, tmp_path: Path) -> None:
    code, said, bench = safe(tmp_path, fitted, THREE, ("channel = 1", "channel = 1"), what)
    assert not bench.world.supply.output_on
    assert code == 0, said
    assert "another channel" not in said


def test_drawn_benches_are_made_safe(tmp_path: Path) -> None:
    wrong = []
    for seed in range(60):
        drawn, found, _ = one(seed, tmp_path)
        wrong += [f"{drawn}: {text}" for text in found]
    assert wrong == []


# -- pytest -m slow tests/safety/test_safe_ill.py ----------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("first", range(100_000, 104_000, 1000))
def test_many_drawn_benches_are_made_safe(first: int, tmp_path: Path) -> None:
    wrong = []
    for seed in range(first, first + 1000):
        drawn, found, _ = one(seed, tmp_path)
        wrong += [f"{drawn}: {text}" for text in found]
    assert wrong == []
