"""An evening, a night and a morning at one served bench: commands in processes of their own, as a person types them.

The bench's clock is stepped by whoever runs on it; its calendar begins at ``BEGINS`` of an invented day, and is told by
bench time alone. The bench's own truth is asked over its control port.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from guarded import NO_CURRENT_A, PATIENCE_S, Control, served

BEGINS = datetime(2025, 3, 1, 16, 0)
"""The bench's calendar at bench time 0."""

BEDTIME = datetime(2025, 3, 1, 22, 0)

LONGEST_S = 1200.0
"""Real time in which a night must be over."""


PROGRAM = """
import datetime, harness.clock
class Calendar(datetime.datetime):
    @classmethod
    def now(cls, zone=None):
        return super().now(zone) - datetime.timedelta(seconds={seconds})
harness.clock.datetime = Calendar
from harness.cli import main
main(prog_name="nightbench")
"""


@dataclass
class Told:
    """What a command said, and its exit code."""

    words: str
    out: str
    err: str
    code: int

    @property
    def text(self) -> str:
        """All of it on one line."""
        return " ".join((self.out + self.err).split())


@dataclass
class Evening:
    """One served bench with its files, and everything that was typed."""

    place: Path
    control: Control
    transcript: list[str] = field(default_factory=list)

    @property
    def runs(self) -> Path:
        return self.place / "runs"

    def clock(self) -> datetime:
        """The bench's calendar now."""
        return BEGINS + timedelta(seconds=float(self.control.say("now").split()[1]))

    def passes(self, until: datetime) -> None:
        """Nobody does anything until then."""
        now_s = float(self.control.say("now").split()[1])
        assert self.control.say(f"to {now_s + (until - self.clock()).total_seconds():.3f}").startswith("at ")

    def until(self, true: Callable[[], bool], what: str, longest_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + longest_s
        while not true():
            assert time.monotonic() < end, f"{what}: not in time"
            time.sleep(0.002)  # real processes: polled

    def start(self, *words: object, earlier: timedelta = timedelta(0)) -> subprocess.Popen[str]:
        """A command in a process of its own, that nobody sits in front of. ``earlier``: how far its calendar is put
        back, so that hours of the bench which pass in a minute end before the machine's own calendar does."""
        said = [str(word) for word in words]
        self.say(f"[{self.clock():%H:%M:%S}] $ nightbench {' '.join(said)}")
        return subprocess.Popen(
            [sys.executable, "-c", PROGRAM.format(seconds=earlier.total_seconds()), *said],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self.place,
            env={**os.environ, "NIGHTBENCH_STATE": str(self.place / "state"), "TZ": "UTC"},
            start_new_session=True,
        )

    def ended(self, process: subprocess.Popen[str], longest_s: float = LONGEST_S) -> Told:
        out, err = process.communicate(timeout=longest_s)
        told = Told(" ".join(map(str, process.args[3:])), out, err, process.returncode)  # type: ignore[index]
        self.say(err.rstrip() + ("\n" if err.strip() and out.strip() else "") + out.rstrip())
        self.say(f"[{self.clock():%H:%M:%S}] exit code {told.code}\n")
        return told

    def typed(self, *words: object) -> Told:
        """A command from its beginning to its end."""
        process = self.start(*words)
        try:
            return self.ended(process)
        finally:
            kill(process)

    def say(self, text: str) -> None:
        self.transcript.append(text)
        print(text)

    def is_off(self) -> bool:
        now = self.control.truth()
        return not (now["supply_on"] or now["load_on"] or not abs(now["pack_amps"]) <= NO_CURRENT_A)

    def new(self) -> Path:
        """The folder of the newest run."""
        return max(self.runs.iterdir(), key=lambda one: one.stat().st_mtime_ns)


def kill(process: subprocess.Popen[str]) -> None:
    """End a process of ours that is still there; nothing where it has ended."""
    if process.poll() is None:
        with suppress(ProcessLookupError):
            process.send_signal(signal.SIGKILL)
        process.communicate()


@contextmanager
def evening(place: Path) -> Iterator[Evening]:
    """A bench with its files, its pack as it comes."""
    with served(stepped=True) as (bench, control):
        (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
        (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
        yield Evening(place, control)


FILES = ("--bench", "bench.toml", "--pack", "pack.toml", "--out", "runs")
PLAN = ("capacity", *FILES, "--set", "charge_first=false", "--set", "rest_s=600")


def until_bedtime(at: Evening) -> None:
    """What an unattended night wants before it: the pack charged with somebody there, the same plan for half an hour
    with somebody there, and charged again."""
    assert at.typed("run", "charge", *FILES).code == 0
    process = at.start("run", *PLAN)
    try:
        at.until(lambda: at.control.truth()["load_on"] or process.poll() is not None, "the load on")
        began = at.clock()
        at.until(lambda: at.clock() - began >= timedelta(minutes=31) or process.poll() is not None, "half an hour")
        process.send_signal(signal.SIGINT)
        watched = at.ended(process)
    finally:
        kill(process)
    assert watched.code == 20, watched.text
    assert at.is_off()
    assert at.typed("run", "charge", *FILES).code == 0
    at.passes(BEDTIME)
    told = at.typed("check", "capacity", *FILES, "--set", "charge_first=false", "--set", "rest_s=600", "--unattended")
    assert told.code == 0, told.text
