"""Whom the guard reaches, while a run goes on: an instrument that has come back under another name is not there for it
any more, and the run ends; and how long it bears silence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from guard_bench import served
from night import SHORT, spend, truly_off

from harness.addresses import normal
from harness.bench import Bench
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


class Moves:
    """The line to a guard, of whose instruments one comes back under another name at some beat under current."""

    pid, unreachable = 0, ()
    silent_s = staticmethod(lambda: 0.0)
    astray = GuardLink.astray

    def __init__(self, bench: Bench, name: str, at: int) -> None:
        self.said: list[str] = []
        self._wire, self._at = bench.rig.drivers[name].session.wire, at
        self.reached = {name: normal(self._wire.address)}

    def beat(self, state: str, sample: int, age_s: float) -> None:
        self.said.append(state)
        if self.said.count("sink") + self.said.count("source") == self._at:
            self._wire.address = "ASRL/dev/ttyUSB7::INSTR"

    def bye(self, off: bool) -> None:
        self.said.append(f"bye {off}")


@pytest.mark.parametrize("procedure", ["capacity", "charge"])
def test_a_run_that_is_no_longer_guarded_ends(procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    links: list[Moves] = []

    def guard_for(_ready: Any, bench: Bench, *_more: Any) -> Moves:
        links.append(Moves(bench, SHORT[procedure].active, 4))
        return links[-1]

    monkeypatch.setattr("harness.guarded_run.guard_for", guard_for)
    night = spend(tmp_path, SHORT[procedure])
    assert night.exit_code == 21
    assert night.result.end_reason.startswith(
        f"guard lost: {SHORT[procedure].active} is at ASRL/dev/ttyUSB7::INSTR now"
    )
    assert truly_off(night.world)
    (link,) = links
    state = {"capacity": "sink", "charge": "source"}[procedure]
    assert link.said.count(state) == 4, "the very next turn finds it, and does not beat"
    assert link.said[-1] == "bye True"
    after = link.said[len(link.said) - link.said[::-1].index(state) :]
    assert after[0] == "switching off"
    assert "proving off" in after
    assert after.index("rest") > after.index("proving off")
