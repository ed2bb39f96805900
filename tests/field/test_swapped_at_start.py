"""Supply and load have changed places: refused, it is said who is where, and no order goes to either.

Source: bigbadoooff/thz#84, serialport/node-serialport#1476 (port names that change with a restart).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from shaped import served

from harness.config import load_bench
from harness.connect import connect
from harness.errors import PreflightRefused
from sims.manners import Manners

WIRES = ("tcp", "pty", "hislip")


def swapped(place: Path) -> None:
    """Exchange the addresses of supply and load in the bench file."""
    path = place / "bench.toml"
    lines = path.read_text("utf-8").splitlines()
    at = [number for number, line in enumerate(lines) if line.startswith("address = ")]
    lines[at[0]], lines[at[1]] = lines[at[1]], lines[at[0]]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def listened(door: Any) -> list[bytes]:
    """All that any instrument hears from now on."""
    heard: list[bytes] = []
    for name in door.bench.names:
        engine = door.bench._fitting.panels[name].engine
        handle = engine.handle

        def hearing(message: bytes, *, handle: Any = handle, **how: Any) -> bytes:
            heard.append(message)
            return bytes(handle(message, **how))

        engine.handle = hearing
    return heard


@pytest.mark.parametrize("wire", WIRES)
def test_who_is_where_is_said_and_nobody_gets_an_order(wire: str, tmp_path: Path) -> None:
    with served(tmp_path, "porch", wire=wire) as door:
        swapped(tmp_path)
        bench_file = load_bench(tmp_path / "bench.toml")
        heard = listened(door)
        with pytest.raises(PreflightRefused) as caught:
            connect(bench_file)
    text = str(caught.value)
    supply, load = (bench_file.one(role) for role in ("supply", "load"))
    assert supply is not None
    assert load is not None
    assert f"load answers at {supply.address}" in text
    assert f"supply answers at {load.address}" in text
    assert "nothing was switched on" in text
    assert "\n" not in text
    assert heard
    assert set(heard) == {b"*IDN?"}


@pytest.mark.parametrize("wire", WIRES)
def test_the_remote_command_is_the_only_order_a_swapped_instrument_gets(wire: str, tmp_path: Path) -> None:
    """Who answers nothing else must be told to go remote to be asked who it is."""
    manners = {"supply": Manners(remote_needed=True), "load": Manners(remote_needed=True)}
    with served(tmp_path, "porch", wire=wire, manners=manners) as door:
        swapped(tmp_path)
        heard = listened(door)
        with pytest.raises(PreflightRefused, match="load answers at"):
            connect(load_bench(tmp_path / "bench.toml"))
    assert set(heard) <= {b"*IDN?", b"SYST:REM", b"SYST:LOC", b"SYST:ERR?"}
