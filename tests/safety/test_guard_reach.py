"""Whom the guard reaches, while a run goes on: an instrument that has come back under another name is not there for it
any more, and the run ends; and how long it bears silence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from test_guard_lines import served

from harness.config import load_bench
from harness.connect import connect
from harness.guarding import GuardLink, silence_s, start


@pytest.mark.parametrize("wire", ["tcp", "pty"])
def test_an_instrument_under_another_name(wire: str, tmp_path: Path) -> None:
    with served(tmp_path, wire, {}) as bench:
        connection = connect(load_bench(tmp_path / "bench.toml"))
        rig = connection.rig
        assert rig is not None
        link = start(rig, limits_hash=lambda: "ab", journal=tmp_path / "guard.log", longest_s=60.0, period_s=1.0)
        assert isinstance(link, GuardLink)
        try:
            here = {name: driver.session.wire.address for name, driver in rig.drivers.items()}
            assert link.reached.keys() == {"supply", "load"}
            assert link.astray(here) == ""
            assert link.astray({name: address.lower() for name, address in here.items()}) == "" or wire == "pty"
            assert link.astray({**here, "meter": "ASRL/dev/ttyUSB7::INSTR"}) == "", "nothing to be switched off there"
            words = link.astray({**here, "load": "ASRL/dev/ttyUSB7::INSTR"})
            assert words.startswith("load is at ASRL/dev/ttyUSB7::INSTR now, and the guard's orders are for ")
        finally:
            link.bye(off=True)
            connection.close()
            assert not bench.bench.world.load.input_on
        last = json.loads((tmp_path / "guard.log").read_text().splitlines()[-1])
        assert last["what"] == "ended"


class Wired:
    def __init__(self, boot_s: float) -> None:
        self.session = self
        self.wire = self
        self.boot_s = boot_s


@pytest.mark.parametrize(
    ("boots_s", "period_s", "expected_s"),
    [
        ((), 1.0, 5.0),
        ((0.0,), 2.0, 6.0),
        ((0.0, 2.0), 1.0, 5.0),
        ((5.0, 1.0), 1.0, 7.0),
        ((10.0,), 1.0, 10.0),
        ((), 9.0, 10.0),
    ],
)
def test_how_long_it_bears_silence(boots_s: tuple[float, ...], period_s: float, expected_s: float) -> None:
    rig: Any = type("Rig", (), {"drivers": {str(n): Wired(boot_s) for n, boot_s in enumerate(boots_s)}})
    assert silence_s(rig, period_s) == expected_s
