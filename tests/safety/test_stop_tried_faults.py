"""Whatever goes wrong while the load's own stop is tripped, and its watchdog let expire: it is off at the end, and the
run has not begun.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import harness.unattended
from harness.clock import VirtualClock
from harness.job import Home, Job, Ready, prepare
from harness.procedure import Found, procedures
from harness.run import run
from sims.bench import SimBench, open_bench
from sims.manners import Manners

FAULTS: dict[str, Callable[[bytes], bytes]] = {
    "no answer": lambda reply: b"",
    "garbage": lambda reply: b"#&?\n" if reply else b"",
    "not a number": lambda reply: b"9.91E37\n" if reply else b"",
    "another's answer": lambda reply: b"NIGHTBENCH,SIM-LOAD,other,1.0\n" if reply else b"",
}


class Trial:
    """One run that is left alone, of a procedure that does nothing; the ``nth`` message to the load since its stop was
    begun to be tried goes wrong."""

    def __init__(self, place: Path, fault: str, nth: int, *, watchdog: bool = False) -> None:
        self.clock = VirtualClock()
        load = Manners(shape="watchdog" if watchdog else "")
        self.sim: SimBench = open_bench("cabinet", now=self.clock.now, manners={"load": load})
        self.fault, self.nth, self.said, self.began = FAULTS[fault], nth, 0, False
        self.procedure_ran = False
        self._tap(self.sim.port("load"))
        bench, pack = place / "bench.toml", place / "pack.toml"
        addresses = {name: f"sim:cabinet/{name}" for name in self.sim.names}
        bench.write_text(self.sim.bench_toml(addresses))
        pack.write_text(self.sim.pack_toml())
        nothing = replace(procedures()["capacity"], run=self._nothing)
        job = Job(nothing, bench, pack, ("charge_first=false",), place / "runs", True, Home(self.clock, self.sim))
        self.ready: Ready = prepare(job)

    def _nothing(self, bench: Any, *, plan: Any) -> Found:
        self.procedure_ran = True
        return Found({}, "nothing was to be done")

    def _tap(self, port: Any) -> None:
        connect = port.connect

        def connected(*words: Any, **how: Any) -> Any:
            talker = connect(*words, **how)
            feed = talker.feed

            def fed(data: bytes, *more: Any, **beside: Any) -> bytes:
                reply = bytes(feed(data, *more, **beside))
                # The trial begins by arming it; the look before a run only asks.
                self.began = self.began or b"FUNC CURR" in data
                if not self.began:
                    return reply
                self.said += 1
                return self.fault(reply) if self.said == self.nth else reply

            talker.feed = fed
            return talker

        port.connect = connected


@pytest.fixture(autouse=True)
def _watched_before(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(harness.unattended, "watched_before", lambda ready, identities=None: "")


def sweep(fault: str, place: Path, *, first: int, every: int, watchdog: bool = False) -> int:
    """Runs in which a message went wrong."""
    ran, nth = 0, first
    while True:
        here = place / str(nth)
        here.mkdir()
        trial = Trial(here, fault, nth, watchdog=watchdog)
        done = run(trial.ready)
        trial.sim.advance()
        world = trial.sim.world
        assert world.load is not None
        assert not world.load.input_on, f"message {nth}: {fault}"
        assert done.exit_code in (0, 21, 23, 40), f"message {nth}: {done.exit_code} {done.result.end_reason}"
        assert trial.procedure_ran or done.exit_code != 0
        assert done.result.off_confirmation is not None
        assert done.result.off_confirmation.confirmed
        if trial.said < nth:
            return ran
        ran, nth = ran + 1, nth + every


@pytest.mark.parametrize(("number", "fault"), list(enumerate(FAULTS, 1)))
def test_messages_to_the_load_may_go_wrong(number: int, fault: str, tmp_path: Path) -> None:
    """Every ninth, each fault at others; all of them in the slow campaign."""
    assert sweep(fault, tmp_path, first=2 * number, every=9) >= 5


def test_a_watchdog_that_is_let_expire_too(tmp_path: Path) -> None:
    assert sweep("garbage", tmp_path, first=13, every=37, watchdog=True) >= 2


@pytest.mark.slow
@pytest.mark.parametrize("watchdog", [False, True])
@pytest.mark.parametrize("fault", FAULTS)
def test_every_message_to_the_load_may_go_wrong(fault: str, watchdog: bool, tmp_path: Path) -> None:
    assert sweep(fault, tmp_path, first=1, every=1, watchdog=watchdog) >= 40
