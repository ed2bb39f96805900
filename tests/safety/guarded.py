"""Real runs with their real guard on a served bench: begun, killed, stopped, and what the bench itself says of it.

One call is one run on a bench of its own. Only processes started here are told anything. Times are the machine's.
"""

from __future__ import annotations

import json
import math
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.folder import list_runs
from harness.show import show_text
from sims.serve import ServedBench, serve

SPEED = 10.0
"""Bench seconds a second: a sample every 0.1 s."""

PATIENCE_S = 60.0
NO_CURRENT_A = 0.05
POLL_S = 0.001

RUNS = {
    "capacity": ("load", ("charge_first=false", "rest_s=0", "rate_it=1")),
    "charge": ("supply", ()),
}


class Control:
    """The bench's own truth, over one connection."""

    def __init__(self, bench: ServedBench) -> None:
        host, _, port = bench.control.rpartition(":")
        self._line = socket.create_connection((host, int(port)), timeout=PATIENCE_S)
        self._line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self._line.makefile("rb")

    def say(self, line: str) -> str:
        self._line.sendall(line.encode() + b"\n")
        return self._lines.readline().decode().strip()

    def truth(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.say("truth"))
        return found

    def is_off(self) -> bool:
        now = self.truth()
        return not (now["supply_on"] or now["load_on"] or not abs(now["pack_amps"]) <= NO_CURRENT_A)

    def close(self) -> None:
        self._lines.close()
        self._line.close()


@contextmanager
def served(*, stepped: bool = False, wire: str = "tcp", speed: float = SPEED) -> Iterator[tuple[ServedBench, Control]]:
    bench = serve("porch", wire=wire, stepped=True) if stepped else serve("porch", wire=wire, speed=speed)
    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    control = Control(bench)
    try:
        yield bench, control
    finally:
        control.close()
        stop.set()
        thread.join()
        bench.close()


@dataclass
class Run:
    """A run in a process of its own, on a bench of its own."""

    place: Path
    bench: ServedBench
    control: Control
    process: subprocess.Popen[str]
    output: str
    times: dict[str, float] = field(default_factory=dict)

    def log(self) -> list[dict[str, Any]]:
        """What the guard wrote down."""
        rows: list[dict[str, Any]] = []
        for file in self.place.glob("runs/*/guard.log"):
            rows += [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
        return rows

    def guard_pid(self) -> int:
        """The only child of the run that is a guard."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        (pid,) = [int(one) for one in children if b"guard.py" in Path(f"/proc/{one}/cmdline").read_bytes()]
        return pid

    def energised(self) -> bool:
        now = self.control.truth()
        return bool(now[f"{self.output}_on"]) and abs(now["pack_amps"]) > 1.0

    def off_within_s(self, limit_s: float, *, since: float | None = None) -> float:
        """How long until everything is off, s; inf when not within ``limit_s``."""
        began = time.monotonic() if since is None else since
        while True:
            if self.control.is_off():
                return time.monotonic() - began
            if time.monotonic() - began > limit_s:
                return math.inf
            time.sleep(POLL_S)

    def until(self, true: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < end, f"{what}: not in time"
            time.sleep(0.01)  # real processes: polled

    def ended(self) -> tuple[int, str]:
        """Exit code and what was said."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out + err


@contextmanager
def run(
    place: Path,
    procedure: str = "capacity",
    *,
    stepped: bool = False,
    wire: str = "tcp",
    speed: float = SPEED,
    program: tuple[str, ...] = ("-m", "harness.cli"),
) -> Iterator[Run]:
    """A run that carries current. ``program`` may stand in the place of the command line."""
    output, sets = RUNS[procedure]
    place.mkdir(parents=True)
    with served(stepped=stepped, wire=wire, speed=speed) as (bench, control):
        (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
        (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
        files = ("--bench", str(place / "bench.toml"), "--pack", str(place / "pack.toml"))
        command = [sys.executable, *program, "run", procedure, *files, "--out", str(place / "runs")]
        command += [part for one in sets for part in ("--set", one)]
        process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "NIGHTBENCH_STATE": str(place / "state")},
            start_new_session=True,
        )
        one = Run(place, bench, control, process, output)
        try:
            one.until(lambda: one.energised() or process.poll() is not None, "energised")
            assert process.poll() is None, process.communicate()
            yield one
        finally:
            with suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.communicate()


def pause(draw: random.Random, most_s: float = 1.5) -> None:
    """Until some instant of a run."""
    time.sleep(draw.uniform(0.0, most_s))


def run_killed(place: Path, draw: random.Random, *, procedure: str, wire: str = "tcp") -> float:
    """KILL the run: how long until everything is off, s."""
    with run(place, procedure, wire=wire) as one:
        pause(draw)
        began = time.monotonic()
        one.process.kill()
        took_s = one.off_within_s(10.0, since=began)
        one.until(lambda: one.log()[-1]["what"] == "off confirmed", "guard's last word")
        (folder,) = list_runs(place / "runs")
        page = " ".join(show_text(folder).split())
        assert "guard: a process of its own, armed; not made to act before this run; it acted, see Record" in page
        assert "its guard acted: " in page
        return took_s


def run_stopped(place: Path, draw: random.Random, *, procedure: str) -> float:
    """STOP the run: the same. It must be dead afterwards, so that it cannot wake."""
    with run(place, procedure) as one:
        pause(draw)
        began = time.monotonic()
        one.process.send_signal(signal.SIGSTOP)
        took_s = one.off_within_s(20.0, since=began)
        assert one.process.wait(timeout=5) == -signal.SIGKILL
        one.until(lambda: one.log()[-1]["what"] == "off confirmed", "guard's last word")
        return took_s


def guard_killed(place: Path, draw: random.Random, *, procedure: str, how: signal.Signals = signal.SIGKILL) -> float:
    """Kill (or stop) the guard: how long until the run has switched everything off, s."""
    with run(place, procedure) as one:
        pause(draw)
        pid = one.guard_pid()
        began = time.monotonic()
        os.kill(pid, how)
        took_s = one.off_within_s(20.0, since=began)
        code, err = one.ended()
        # Where the machine itself stalls meanwhile (0.5 s here, at ten times real time), the run ends for that first.
        assert (code, "guard lost" in err) == (21, True) or (code, "sampling late" in err) == (24, True), err
        return took_s


def both_killed(place: Path, draw: random.Random) -> dict[str, Any]:
    """KILL run and guard together on a bench whose time then goes on without them, until its own stop ends it: the
    bench's own state then, and how long it took, bench s."""
    with run(place, "capacity", stepped=True) as one:
        pause(draw, 0.5)
        os.kill(one.guard_pid(), signal.SIGKILL)
        one.process.kill()
        one.process.wait()
        began = float(one.control.say("now").split()[1])
        lowest, now = math.inf, began
        while not one.control.is_off() and now - began < 4 * 3600:
            now += 5.0
            assert one.control.say(f"to {now}").startswith("at"), "the bench goes on"
            lowest = min(lowest, one.control.truth()["min_cell_volts"])
        # Nobody is there, and nothing comes on again.
        one.control.say(f"to {now + 3600}")
        return {**one.control.truth(), "took_s": now - began, "lowest_cell_volts": lowest}


def stormed(place: Path, draw: random.Random, *, procedure: str) -> int:
    """Keys and signals at the run and at its guard: the run ends as it should, and its guard after it."""
    with run(place, procedure) as one:
        pause(draw)
        pid = one.guard_pid()
        for _ in range(draw.randrange(2, 10)):
            with suppress(ProcessLookupError):
                os.kill(pid, draw.choice((signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP)))
                one.process.send_signal(draw.choice((signal.SIGINT, signal.SIGTERM, signal.SIGHUP)))
            time.sleep(draw.uniform(0.0, 0.1))
        code, err = one.ended()
        assert one.control.is_off(), err
        one.until(lambda: one.log()[-1]["what"] in ("ended", "off confirmed"), "guard's last word")
        assert one.log()[-1]["what"] == "ended", one.log()
        return code


def guard_told_to_end(place: Path, *, procedure: str) -> float:
    """TERM to the guard: it switches off, then ends; the run does not outlive it."""
    with run(place, procedure) as one:
        pid = one.guard_pid()
        began = time.monotonic()
        os.kill(pid, signal.SIGTERM)
        took_s = one.off_within_s(10.0, since=began)
        assert one.process.wait(timeout=5) == -signal.SIGKILL
        one.until(lambda: one.log()[-1]["what"] == "off confirmed", "guard's last word")
        return took_s


STOPS_SWITCHING_OFF = """
import os, signal, sys
from harness.beats import Beats
from harness.cli import main
from harness.signals import StopFlag

at, off, ask, steps = int(sys.argv.pop(1)), Beats._off, StopFlag.ask, []
def asked(self, name):
    steps.append("asked")
    ask(self, name)
def stops(self, state):
    off(self, state)
    steps.extend([state] if steps else [])
    if len(steps) == at + 1:
        os.kill(os.getpid(), signal.SIGSTOP)
StopFlag.ask, Beats._off = asked, stops
main()
"""


def stopped_switching_off(place: Path, step: int, *, procedure: str) -> float | None:
    """A person ends the run, and it gets STOP right after its ``step``-th sign of switching off (from 1 on): how long
    until everything is off, s; None where it had ended by then. It must be dead afterwards."""
    with run(place, procedure, program=("-c", STOPS_SWITCHING_OFF, str(step))) as one:
        stat = Path(f"/proc/{one.process.pid}/stat")
        one.process.send_signal(signal.SIGINT)

        def held() -> bool:
            return one.process.poll() is not None or stat.read_text().rpartition(")")[2].split()[0] == "T"

        one.until(held, "stopped or ended")
        if one.process.poll() is not None:
            assert one.process.returncode == 20
            return None
        took_s = one.off_within_s(20.0)
        # With everything seen off the guard waits for a minute: nothing is on, and a disk may hold a run up.
        assert one.process.wait(timeout=70) == -signal.SIGKILL
        one.until(lambda: one.log()[-1]["what"] == "off confirmed", "guard's last word")
        assert one.control.is_off()
        return took_s


LOOP_HANGS = """
import sys, threading, time
from harness.cli import main
from harness.turning import Turns

look, count = Turns.look, [0]
def hangs(self):
    count[0] += self._bench.block.phase != "rest"
    while count[0] > 10:
        time.sleep(0.01)
    return look(self)
def ticks():
    while True:
        time.sleep(0.01)
threading.Thread(target=ticks, daemon=True).start()
Turns.look = hangs
main()
"""


def loop_hung(place: Path, *, procedure: str) -> float:
    """Only the sampling loop hangs, after some samples with current; all threads of the run go on: how long until
    everything is off, from the last sample on, s."""
    with run(place, procedure, program=("-c", LOOP_HANGS)) as one:
        rows = 0

        def goes_on() -> bool:
            nonlocal rows
            (file,) = place.glob("runs/*/samples.csv")
            before, rows = rows, file.read_text(encoding="utf-8").count("\n")
            return rows != before

        while goes_on():
            time.sleep(0.3)  # three periods
        began = time.monotonic() - 0.6
        took_s = one.off_within_s(20.0, since=began)
        assert one.process.wait(timeout=5) == -signal.SIGKILL
        return took_s
