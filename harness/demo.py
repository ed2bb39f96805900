"""The main job on a simulated bench, from nothing: charge a pack, rest it, measure its capacity."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from harness.clock import SteppedClock, VirtualClock
from harness.connect import open_simulated
from harness.errors import PreflightRefused
from harness.folder import RunFolder
from harness.job import Done, Home, Job, Ready, Watcher, prepare
from harness.preflight import Check
from harness.procedure import procedures
from harness.run import run

SCENARIO = "cabinet"
STORY = (
    "SIMULATED bench, invented story: a network cabinet's 24 V UPS, its two lead-acid blocks to be replaced by an "
    "8-cell LiFePO4 pack of 10 Ah. The pack is charged, rested and discharged."
)
JOBS: tuple[tuple[str, tuple[str, ...]], ...] = (("charge", ()), ("capacity", ("charge_first=false",)))
"""Procedures of the demo in order, with what is set for each."""

SERVER_WAIT_S = 20.0


def demo(*, wire: str, seed: int | None, out: Path, watcher: Watcher) -> Iterator[Done]:
    """Run the demo's procedures one after the other on one bench, handing over each; ends at the first that did not
    finish.

    Raises ``UserError``, also between two runs when the served bench's process has ended.
    """
    with tempfile.TemporaryDirectory(prefix="nightbench-demo-") as files:
        place = _in_memory(seed, Path(files)) if wire == "memory" else _served(seed, Path(files))
        with place as (bench, pack, home, gone):
            for name, sets in JOBS:
                job = Job(procedures()[name], bench, pack, sets=sets, out=out, home=home)
                done = run(prepare(job), watcher=_Attendant(watcher, gone))
                yield done
                if done.exit_code != 0:
                    return


Place = tuple[Path, Path, Home, Callable[[], str]]
"""Bench file, pack file, what the runs share, and why the bench is gone ("" while it is there)."""


class _Attendant(Watcher):
    """Stands between a run and the screen: a simulated bench whose process has ended cannot be switched off any more,
    and nobody must be kept waiting for it."""

    def __init__(self, screen: Watcher, gone: Callable[[], str]) -> None:
        self._screen, self._gone = screen, gone
        self._said = False

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None:
        self._screen.checked(ready, checks)

    def started(self, ready: Ready, folder: RunFolder) -> None:
        self._screen.started(ready, folder)

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        self._screen.show(sample, watch, interlocks)

    def say(self, text: str) -> None:
        why = self._gone()
        if not why:
            self._screen.say(text)
        elif not self._said:
            self._said = True
            self._screen.say(f"{why}: nobody is left to say that it is off; it was SIMULATED, nothing real is on")

    def acknowledged_unsafe(self, serial: str) -> bool:
        return bool(self._gone()) or self._screen.acknowledged_unsafe(serial)

    def signalled(self, name: str) -> None:
        self._screen.signalled(name)

    def ended(self, done: Done) -> None:
        self._screen.ended(done)


def _write(files: Path, bench: str, pack: str) -> tuple[Path, Path]:
    (files / "bench.toml").write_text(bench, encoding="utf-8")
    (files / "pack.toml").write_text(pack, encoding="utf-8")
    return files / "bench.toml", files / "pack.toml"


@contextmanager
def _in_memory(seed: int | None, files: Path) -> Iterator[Place]:
    clock = VirtualClock()
    sim = open_simulated(SCENARIO, now=clock.now, seed=seed)
    addresses = {name: f"sim:{SCENARIO}/{name}" for name in sim.names}
    bench, pack = _write(files, sim.bench_toml(addresses, clock=None), sim.pack_toml())
    yield bench, pack, Home(clock, sim), lambda: ""


@contextmanager
def _served(seed: int | None, files: Path) -> Iterator[Place]:
    """The same bench in a process of its own, over sockets, stepped by this one."""
    command = [sys.executable, "-m", "harness.cli", "simulate", SCENARIO, "--stepped", "--json", "--with-parent"]
    command += ["--files", str(files)]
    command += [] if seed is None else ["--seed", str(seed)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    try:
        served = _greeting(server)
        clock = SteppedClock(control=served["control"])
        try:
            yield Path(served["bench_file"]), Path(served["pack_file"]), Home(clock, None), lambda: _ended(server)
        finally:
            with suppress(OSError):
                clock.close()
    finally:
        _end(server)


def _greeting(server: subprocess.Popen[str]) -> dict[str, Any]:
    assert server.stdout is not None
    line = server.stdout.readline()
    if not line:
        raise PreflightRefused(f"demo: the simulated bench did not start; {_ended(server, wait_s=SERVER_WAIT_S)}")
    found: dict[str, Any] = json.loads(line)
    return found


def _ended(server: subprocess.Popen[str], *, wait_s: float = 0.0) -> str:
    with suppress(subprocess.TimeoutExpired):
        code = server.wait(timeout=wait_s) if wait_s else server.poll()
        if code is None:
            return ""
        how = f"by signal {-code}" if code < 0 else f"with exit code {code}"
        return f"the process of the simulated bench (pid {server.pid}) has ended {how}"
    return ""


def _end(server: subprocess.Popen[str]) -> None:
    server.terminate()
    with suppress(subprocess.TimeoutExpired):
        server.wait(timeout=SERVER_WAIT_S)
    if server.poll() is None:
        server.kill()
        server.wait()
    if server.stdout is not None:
        server.stdout.close()
