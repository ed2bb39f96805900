"""``nightbench safe`` on ill-mannered benches; and off is not said of an output that is not on this pack."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import ill
import pytest
from ill_safe import left, one
from shaped import write_files

from harness import makesafe
from harness.clock import VirtualClock
from harness.connect import connect
from sims.bench import SimBench
from sims.manners import Manners

SOURCES = ("supply", "load", "meter", "thermometer")


def safe(place: Path, fitted: tuple[str, ...], manners: dict[str, Manners], swap: tuple[str, str], what: str) -> Any:
    """Exit code, what was said, and the bench afterwards."""
    drawn = ill.Drawn(0, "capacity", "porch", fitted, manners, own=True)
    clock = VirtualClock()
    bench = SimBench(ill.facts_of(drawn), now=clock.now, seed=None, manners=manners)
    write_files(place, bench)
    text = (place / "bench.toml").read_text("utf-8")
    assert swap[0] in text
    (place / "bench.toml").write_text(text.replace(*swap, 1), "utf-8")
    left(drawn, bench, what, local=False)
    clock.sleep(1.0)
    said: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(makesafe, "connect", partial(connect, clock=clock, sim=bench))
        code = makesafe.make_safe(str(place / "bench.toml"), out=said.append, err=said.append)
    clock.sleep(1.0)
    bench.advance()
    return code, " ".join(" ".join(said).split()), bench


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
