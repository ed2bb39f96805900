"""The main job on a simulated bench, from nothing: a pack and a UPS from charge to verdict."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from harness.barriers import Tried
from harness.clock import SteppedClock, VirtualClock
from harness.connect import open_simulated
from harness.errors import PreflightRefused
from harness.folder import RunFolder
from harness.job import Done, Home, Ready, Watcher
from harness.preflight_check import Check
from harness.sequence import Asked, Place, in_order, run_sequence

SCENARIO = "cabinet"
STORY = (
    "SIMULATED bench, invented story: a network cabinet's 24 V UPS, its two lead-acid blocks to be replaced by an "
    "8-cell LiFePO4 pack of 10 Ah. The pack is charged, discharged at two rates and stepped through its currents; the "
    "UPS is taken down to its floor and up to its ceiling; then it is said whether the two fit."
)
JOBS: tuple[tuple[str, tuple[str, ...]], ...] = ()
"""Procedures of the demo in order, with what is set for each; none: those of the sequence ``qualify``."""

SEQUENCE = "qualify"
SERVER_WAIT_S = 20.0


def demo(*, wire: str, seed: int | None, out: Path, watcher: Watcher) -> Iterator[Done]:
    """Run the demo's procedures one after the other on one bench, handing over each; ends at the first that did not
    finish.

    Raises ``UserError``, also between two runs when the served bench's process has ended.
    """
    with tempfile.TemporaryDirectory(prefix="nightbench-demo-") as files:
        bench = _in_memory(seed, Path(files), out) if wire == "memory" else _served(seed, Path(files), out)
        with bench as (place, gone):
            asked = tuple(Asked(name, sets) for name, sets in JOBS) or place.steps(run_sequence(SEQUENCE))
            yield from in_order(place, asked, _Attendant(watcher, gone))


Bench = tuple[Place, Callable[[], str]]
"""The place, and why its bench is gone ("" while it is there)."""


class _Attendant(Watcher):
    """Stands between a run and the screen: a simulated bench whose process has ended cannot be switched off any more,
    and nobody must be kept waiting for it."""

    def __init__(self, screen: Watcher, gone: Callable[[], str]) -> None:
        self._screen, self._gone = screen, gone
        self._said = False

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None:
        self._screen.checked(ready, checks)

    def before_energising(self, ready: Ready, tried: Tried) -> None:
        self._screen.before_energising(ready, tried)

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


def _write(files: Path, **texts: str) -> dict[str, Path]:
    """Each text under its name."""
    for name, text in texts.items():
        (files / f"{name}.toml").write_text(text, encoding="utf-8")
    return {name: files / f"{name}.toml" for name in texts}


@contextmanager
def _in_memory(seed: int | None, files: Path, out: Path) -> Iterator[Bench]:
    clock = VirtualClock()
    sim = open_simulated(SCENARIO, now=clock.now, seed=seed)
    addresses = {name: f"sim:{SCENARIO}/{name}" for name in sim.names}
    texts = {"bench": sim.bench_toml(addresses, clock=None), "pack": sim.pack_toml(), "ups": sim.ups_toml()}
    yield Place(**_write(files, **texts), out=out, home=Home(clock, sim)), lambda: ""


@contextmanager
def _served(seed: int | None, files: Path, out: Path) -> Iterator[Bench]:
    """The same bench in a process of its own, over sockets, stepped by this one."""
    command = [sys.executable, "-m", "harness.cli", "simulate", SCENARIO, "--stepped", "--json", "--with-parent"]
    command += ["--files", str(files)]
    command += [] if seed is None else ["--seed", str(seed)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    try:
        served = _greeting(server)
        clock = SteppedClock(control=served["control"])
        try:
            written = {name: Path(served[f"{name}_file"]) for name in ("bench", "pack", "ups")}
            yield Place(**written, out=out, home=Home(clock, None)), lambda: _ended(server)
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
