"""A served bench with live drivers on it and a guard that has its orders, in this process; with relays where wanted.
What the tests of the guard on real lines share."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import sims.bench
from harness import guard
from harness.config import load_bench
from harness.connect import Connection, connect
from harness.guard_orders import orders_of
from sims.manners import Manners
from sims.serve import ServedBench, serve


@contextmanager
def served(
    place: Path, wire: str, manners: dict[str, Manners] | None, scenario: str = "porch"
) -> Iterator[ServedBench]:
    bench = serve(scenario, wire=wire, manners=manners)
    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    for name, text in bench.bench.dialect_files(_shipped).items():
        (place / name).write_text(text, encoding="utf-8")
    (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    try:
        yield bench
    finally:
        stop.set()
        thread.join()
        bench.close()


def _shipped(name: str) -> str:
    return (Path(guard.__file__).parents[1] / "drivers" / "dialects" / f"{name}.toml").read_text(encoding="utf-8")


@dataclass
class Bench:
    """A bench, live drivers on it, and a guard that has its orders."""

    served: ServedBench
    connection: Connection
    guard: guard.Guard
    unreachable: tuple[str, ...]

    def energise(self) -> None:
        rig = self.connection.rig
        assert rig is not None
        assert rig.load is not None
        assert rig.supply is not None
        rig.load.set_function("cc")
        rig.load.set_amps(amps=2.0)
        rig.supply.set_amps(amps=0.5)
        rig.supply.set_volts(volts=14.0)
        rig.load.switch(True)
        rig.supply.switch(True)
        world = self.served.bench.world
        assert world.load.input_on
        assert world.supply.output_on

    def on(self) -> tuple[bool, bool]:
        world = self.served.bench.world
        return world.supply.output_on, world.load.input_on


@contextmanager
def guarded(
    place: Path, pid: int, wire: str, manners: dict[str, Manners] | None, scenario: str = "porch"
) -> Iterator[Bench]:
    """The run is the process ``pid``."""
    with served(place, wire, manners, scenario) as bench:
        connection = connect(load_bench(place / "bench.toml"))
        assert connection.rig is not None
        try:
            orders, unreachable = orders_of(connection.rig)
            orders |= given(place, pid)
            yield Bench(bench, connection, guard.hear(orders, guard.sealed(orders), 0.0), unreachable)
        finally:
            connection.close()


def given(place: Path, pid: int) -> dict[str, Any]:
    return {
        **{"silence_s": 5.0, "rest_s": 60.0, "off_most_s": 20.0, "oldest_s": 3.0, "longest_s": 60.0},
        **{"pid": pid, "pid_started": guard.started(pid), "limits": "ab", "live_notes": []},
        **{"journal": str(place / "guard.log"), "gives_up_s": 15.0},
    }


FITTED = ("supply", "load", "meter", "thermometer", "mains", "acload", "contactor")


@contextmanager
def on_relays(place: Path, pid: int) -> Iterator[Bench]:
    """Three relays in one box, one line to all of them, beside instruments with habits of their own."""
    facts = replace(sims.bench.load_scenario("manners"), fitted=FITTED)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sims.bench, "load_scenario", lambda name: facts)
        with guarded(place, pid, "tcp", None, "manners") as bench:
            yield bench


def close(bench: Bench, *whats: str) -> None:
    rig = bench.connection.rig
    assert rig is not None
    for what in whats:
        switch = rig.switch(what)
        assert switch is not None
        switch.switch(True)


def sent(bench: Bench) -> dict[str, float]:
    return {name: one.sent_s for name, one in bench.guard.outputs.items()}


def hang_up(bench: Bench) -> None:
    for session in bench.connection.sessions:
        session.wire.close()


def name_of(bench: Bench, what: str) -> str:
    rig = bench.connection.rig
    assert rig is not None
    switch = rig.switch(what)
    assert switch is not None
    return switch.name


def relays(bench: Bench) -> list[Any]:
    return [bench.served.bench.switches[what] for what in ("mains", "ac-load", "contactor")]
