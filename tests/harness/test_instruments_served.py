"""A probe as a person runs it, on drawn instruments over sockets, pseudo-terminals and HiSLIP of this machine."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from drawn_instruments import SCENARIO, Drawn, drawn, drive

from drivers.dialect import load
from drivers.raw_line import only_asks
from drivers.wire_visa import VisaWire
from harness.clock import WallClock
from sims.serve import ServedBench, serve

ALIKE = {"scpi-shunt-meter": "scpi-meter"}


@contextmanager
def served(one: Drawn, wire: str) -> Iterator[ServedBench]:
    """The drawn instrument's bench in real time, answered for by a thread of this process."""
    bench = serve(SCENARIO, wire=wire, manners=one.all_manners)
    over = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(over.is_set,), daemon=True)
    thread.start()
    try:
        yield bench
    finally:
        over.set()
        thread.join()
        bench.close()


def fitting(count: int, *, start: int) -> list[int]:
    """Seeds of instruments that a dialect fits and that answer at once, so that the real time of a test stays short."""
    found = []
    for seed in range(start, start + 1000):
        manners = drawn(seed).manners
        if not drawn(seed).obstacle and not (manners.reply_delay_s or manners.gap_s or manners.settle_s):
            found.append(seed)
        if len(found) == count:
            break
    return found


def probed_and_driven(cli: Any, one: Drawn, wire: str, place: Path, *, timeout_s: float = 1.0) -> dict[str, Any]:
    with served(one, wire) as bench:
        address = bench.addresses[one.name]
        file = place / "probed.toml"
        told = cli("instruments", "--probe", address, "--write", file, "--timeout", timeout_s, "--json")
        found: dict[str, Any] = told.document
        assert told.exit_code == 0, found["against"]
        assert found["fits"]
        assert found["dialect"] == ALIKE.get(one.dialect, one.dialect)
        assert found["file"] == str(file)
        messages = [part for row in found["sent"] for part in row["sent"].replace("\r", "\n").split("\n") if part]
        assert messages
        assert all("?" in message and only_asks(message) for message in messages)
        clock = WallClock()

        def make(line: dict[str, Any]) -> VisaWire:
            return VisaWire(name=one.name, address=address, monotonic=clock.wall, **line)

        drive(one, load(file), make, bench.bench)
        return found


@pytest.mark.usefixtures("quick_probe")
@pytest.mark.parametrize(
    ("wire", "seed"),
    [
        *[("tcp", seed) for seed in fitting(1, start=0)],
        *[("pty", seed) for seed in fitting(1, start=100)],
        *[("hislip", seed) for seed in fitting(1, start=200)],
    ],
)
def test_over_a_real_line(cli: Any, wire: str, seed: int, tmp_path: Path) -> None:
    probed_and_driven(cli, drawn(seed), wire, tmp_path, timeout_s=0.3)


@pytest.mark.slow
@pytest.mark.parametrize("wire", ["tcp", "pty", "hislip"])
@pytest.mark.parametrize("seed", fitting(20, start=300))
def test_more_over_a_real_line(cli: Any, wire: str, seed: int, tmp_path: Path) -> None:
    """With the silences that people wait for."""
    probed_and_driven(cli, drawn(seed), wire, tmp_path)
