"""A probe of instruments drawn by seed: it names the right dialect or what is in the way, sends questions only, and
the file it writes then drives the instrument."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from drawn_instruments import SCENARIO, Drawn, drawn, drive, everything_is_drawn

from drivers.dialect import load
from drivers.raw_line import only_asks
from drivers.wire_memory import MemoryWire
from harness.clock import VirtualClock
from harness.probing import probe
from harness.probing_file import dialect_text
from harness.probing_found import Probe
from sims.bench import SimBench, open_bench

SEEDS = range(40)
MORE_SEEDS = range(40, 1040)
ALIKE = {"scpi-shunt-meter": "scpi-meter"}
"""Dialects that ask the same as another."""


class InMemory:
    """The bench of a drawn instrument in memory, its time, and every byte sent to the instrument."""

    def __init__(self, one: Drawn) -> None:
        self.one = one
        self.clock = VirtualClock()
        self.bench: SimBench = open_bench(SCENARIO, now=self.clock.now, manners=one.all_manners)
        self.said = b""

    def wire(self, line: dict[str, Any]) -> MemoryWire:
        return MemoryWire(self._connect, self.clock.sleep, name=self.one.name, address="memory", **line)

    def _connect(self) -> Any:
        talker = self.bench.connect(self.one.name)
        feed = talker.feed

        def fed(data: bytes) -> bytes:
            self.said += data
            return feed(data)

        talker.feed = fed  # type: ignore[method-assign]
        return talker


def only_questions(said: bytes) -> bool:
    """Every message that the instrument saw, whole ones and halves, asks something."""
    messages = [part.strip().decode() for part in re.split(rb"[\r\n]", said) if part.strip()]
    return bool(messages) and all("?" in message and only_asks(message) for message in messages)


def check(one: Drawn, place: Path) -> Probe:
    there = InMemory(one)
    before = there.bench.world.supply.output_on if there.bench.world.supply else False
    found = probe(there.wire({}))
    assert only_questions(there.said)
    assert all(only_questions(heard.sent) for heard in found.heard)
    assert (there.bench.world.supply.output_on if there.bench.world.supply else False) is before
    if one.obstacle:
        assert not found.found
        assert re.search(one.obstacle, "; ".join(found.against))
        return found
    assert found.found, found.against
    assert found.best is not None
    assert found.best.dialect.name == ALIKE.get(one.dialect, one.dialect)
    if one.channel is not None and one.name == "supply":
        assert found.best.channels == one.manners.channels
    file = place / "probed.toml"
    file.write_text(dialect_text(found, found.best), encoding="utf-8")
    drive(one, load(file), there.wire, there.bench)
    return found


@pytest.mark.parametrize("seed", SEEDS)
def test_the_dialect_is_found_by_questions_and_its_file_drives(seed: int, tmp_path: Path) -> None:
    check(drawn(seed), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", MORE_SEEDS)
def test_more_instruments(seed: int, tmp_path: Path) -> None:
    check(drawn(seed), tmp_path)


def test_every_habit_is_drawn() -> None:
    assert everything_is_drawn() == set()


def test_the_ordinary_seeds_see_all_kinds_and_obstacles() -> None:
    ones = [drawn(seed) for seed in SEEDS]
    assert len({one.obstacle for one in ones}) == 4, "none, remote, more than one line, and a buffer too short"
    assert {one.name for one in ones} >= {"supply", "load", "meter", "thermometer", "contact"}
    assert {one.dialect for one in ones if one.name == "supply"} == {
        "scpi-supply",
        "scpi-supply-two-quadrant",
        "scpi-supply-select",
        "scpi-supply-suffix",
        "scpi-supply-list",
        "scpi-supply-watchdog",
    }
