"""The main job on a simulated bench, from nothing: charge a pack, rest it, measure its capacity."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from harness.clock import VirtualClock
from harness.connect import open_simulated
from harness.errors import PreflightRefused
from harness.folder import prepare_runs_dir
from harness.procedure import procedures
from harness.run import Done, Home, Job, Watcher, prepare, run

SCENARIO = "cabinet"
JOBS: tuple[tuple[str, tuple[str, ...]], ...] = (("charge", ()), ("capacity", ("charge_first=false",)))
"""Procedures of the demo in order, with what is set for each."""

SERVER_WAIT_S = 20.0


def demo(*, wire: str, seed: int | None, out: Path, watcher: Watcher) -> list[Done]:
    """Run the demo's procedures one after the other on one bench; stops at the first that did not finish."""
    prepare_runs_dir(out)
    with (_in_memory if wire == "memory" else _served)(seed, out) as (bench, pack, home):
        done: list[Done] = []
        for name, sets in JOBS:
            job = Job(procedures()[name], bench, pack, sets=sets, out=out, home=home)
            done.append(run(prepare(job), watcher=watcher))
            if done[-1].exit_code != 0:
                break
    return done


Place = tuple[Path, Path, Home | None]


@contextmanager
def _in_memory(seed: int | None, out: Path) -> Iterator[Place]:
    clock = VirtualClock()
    sim = open_simulated(SCENARIO, now=clock.now, seed=seed)
    files = out / "demo-files"
    files.mkdir(exist_ok=True)
    bench, pack = files / "bench.toml", files / "pack.toml"
    addresses = {name: f"sim:{SCENARIO}/{name}" for name in sim.names}
    bench.write_text(sim.bench_toml(addresses, clock=None), encoding="utf-8")
    pack.write_text(sim.pack_toml(), encoding="utf-8")
    yield bench, pack, Home(clock, sim)


@contextmanager
def _served(seed: int | None, out: Path) -> Iterator[Place]:
    """The same bench in a process of its own, over sockets, stepped by this one."""
    command = [sys.executable, "-m", "harness.cli", "simulate", SCENARIO, "--stepped", "--json"]
    command += ["--files", str(out / "demo-files")]
    command += [] if seed is None else ["--seed", str(seed)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    try:
        assert server.stdout is not None
        line = server.stdout.readline()
        if not line:
            raise PreflightRefused(f"demo: the simulated bench did not start ({' '.join(command)})")
        served = json.loads(line)
        yield Path(served["bench_file"]), Path(served["pack_file"]), None
    finally:
        server.terminate()
        with suppress(subprocess.TimeoutExpired):
            server.wait(timeout=SERVER_WAIT_S)
        if server.poll() is None:
            server.kill()
        assert server.stdout is not None
        server.stdout.close()
