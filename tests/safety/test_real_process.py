"""A real run in a process of its own, on a bench served over sockets in real time: interrupted, it ends as it should.

These are the only tests of this folder that wait: some seconds, bounded.
"""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from harness.folder import RunFolder, list_runs
from harness.jsonlines import events
from harness.samplefile import samples
from sims.serve import ServedBench, serve

SPEED = 10.0
"""Bench seconds a second: a sample every 0.1 s."""

PATIENCE_S = 30.0


@contextmanager
def served(place: Path) -> Iterator[tuple[ServedBench, tuple[str, ...]]]:
    bench = serve("porch", speed=SPEED)
    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    place.mkdir()
    (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    try:
        yield bench, ("--bench", str(place / "bench.toml"), "--pack", str(place / "pack.toml"))
    finally:
        stop.set()
        thread.join()
        bench.close()


def ask(bench: ServedBench, name: str, message: str) -> str:
    """Ask an instrument as a second client does."""
    _, host, port, _ = bench.addresses[name].split("::")
    with socket.create_connection((host, int(port)), timeout=5) as line:
        line.sendall(message.encode() + b"\n")
        return line.recv(1000).decode().strip()


def truth(bench: ServedBench) -> dict[str, Any]:
    host, port = bench.control.split(":")
    with socket.create_connection((host, int(port)), timeout=5) as line:
        line.sendall(b"truth\n")
        found: dict[str, Any] = json.loads(line.makefile().readline())
        return found


def until(true: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, "not in time"
        time.sleep(0.02)  # real processes: polled


def start(place: Path, words: tuple[str, ...], procedure: str, *sets: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "harness.cli", "run", procedure, *words, "--out", str(place / "runs")]
    command += [part for one in sets for part in ("--set", one)]
    # A session of its own: signals reach this run and nobody else.
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ), start_new_session=True
    )


RUNS = {
    "capacity": ("load", "INP?", ("charge_first=false", "rest_s=0", "rate_it=1")),
    "charge": ("supply", "OUTP?", ()),
}


@pytest.mark.parametrize("procedure", RUNS)
def test_interrupted_twice_and_told_to_end(procedure: str, tmp_path: Path) -> None:
    name, question, sets = RUNS[procedure]
    with served(tmp_path / "bench") as (bench, words):
        process = start(tmp_path, words, procedure, *sets)
        until(lambda: bool(truth(bench)[f"{name}_on"]) and abs(truth(bench)["pack_amps"]) > 1.0, process)
        until(lambda: len(list_runs(tmp_path / "runs")) == 1, process)
        time.sleep(0.3)  # some rows of a real process
        for number in (signal.SIGINT, signal.SIGINT, signal.SIGTERM):
            process.send_signal(number)
            time.sleep(0.05)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 20, err
        assert ask(bench, name, question) == "0"
        now = truth(bench)
        assert (now["supply_on"], now["load_on"]) == (False, False)
        assert abs(now["pack_amps"]) < 0.05
    assert "Traceback" not in out + err
    assert err.count("SIGINT: stopping") == 1
    whole(tmp_path / "runs")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGTSTP])
def test_a_storm_until_the_process_has_ended(number: signal.Signals, tmp_path: Path) -> None:
    """Whoever sends signals without pause gets the run's own exit code: none kills it after the write-up."""
    name, question, sets = RUNS["capacity"]
    with served(tmp_path / "bench") as (bench, words):
        process = start(tmp_path, words, "capacity", *sets)
        until(lambda: bool(truth(bench)[f"{name}_on"]) and abs(truth(bench)["pack_amps"]) > 1.0, process)
        time.sleep(0.5)  # some rows
        end, sent = time.monotonic() + PATIENCE_S, 0
        while process.poll() is None:
            assert time.monotonic() < end, "not in time"
            process.send_signal(number)
            sent += 1
            time.sleep(0.001)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 20, err
        assert ask(bench, name, question) == "0"
    assert sent > 2  # the first asks for the stop; how many more fit in is the machine's speed
    assert "Traceback" not in out + err
    assert err.count(f"{number.name}: stopping") == 1
    whole(tmp_path / "runs")


def whole(runs: Path) -> RunFolder:
    (folder,) = list_runs(runs)
    assert folder.outcome() == "stopped"
    rows = samples(folder)
    times = [row.elapsed_s for row in rows]
    assert len(times) > 2
    assert times == sorted(times)
    assert (rows.tail.rows, rows.tail.bytes) == (0, 0)
    told = events(folder)
    kinds = [event["kind"] for event in told]
    assert told.tail.rows == 0
    assert [kind for kind in kinds if kind in ("intent", "energised", "stop", "off", "ended")] == [
        *["intent", "energised", "stop", "off", "ended"]
    ]
    result = json.loads(folder.result_json.read_bytes())
    assert (result["outcome"], result["exit_code"], result["rows"]) == ("stopped", 20, len(times))
    assert result["off_confirmation"]["confirmed"] is True
    return folder


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("procedure", RUNS)
def test_storms_of_signals_at_drawn_instants(procedure: str, tmp_path: Path) -> None:
    """From the first import on: whenever it comes, everything is off, and what had begun is written down as stopped."""
    _, _, sets = RUNS[procedure]
    draw = random.Random(procedure)
    codes: Counter[int] = Counter()
    for number in range(25):
        with served(tmp_path / f"bench-{number}") as (bench, words):
            process = start(tmp_path / f"{number}", words, procedure, *sets)
            time.sleep(draw.uniform(0.0, 4.0))
            for _ in range(draw.randrange(1, 8)):
                process.send_signal(draw.choice((signal.SIGINT, signal.SIGTERM, signal.SIGHUP)))
                time.sleep(draw.uniform(0.0, 0.1))
            process.communicate(timeout=PATIENCE_S)
            now = truth(bench)
            assert (now["supply_on"], now["load_on"]) == (False, False), f"after {process.returncode}"
        codes[process.returncode] += 1
        runs = tmp_path / f"{number}" / "runs"
        if runs.is_dir() and list_runs(runs) and process.returncode == 20:
            begun = [event["kind"] for event in events(list_runs(runs)[0])]
            if "energised" in begun:
                whole(runs)
    print(f"{procedure}: {dict(codes)}")
    assert codes[20] > 5
