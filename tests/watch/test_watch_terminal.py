"""A run watched in a terminal, narrow or wide, and in a pipe; with names that would like to be more than names."""

from __future__ import annotations

import io
import math
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from watched import BEGUN, Running, sample, seen

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.following import Follower, Trace
from harness.live import Live
from harness.watch_terminal import watch_run
from harness.watching import BLOCKS, PLAIN, Quiet, event_line, look_lines, strip_chart

HOSTILE = "\x1b[2J\x1b]0;owned\x07 \u202eeman\u2028line\x9b31m" + "x" * 300


class Terminal(io.StringIO):
    encoding = "utf-8"  # type: ignore[assignment]

    def isatty(self) -> bool:
        return True


class Turning(VirtualClock):
    """Something happens in each wait."""

    def __init__(self, *happens: Callable[[], object]) -> None:
        super().__init__(utc0=BEGUN)
        self._happens = list(happens)

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = lambda: False) -> None:
        if self._happens:
            self._happens.pop(0)()
        super().sleep_until(t_s, stop=stop)


@pytest.mark.parametrize("width", [1, 10, 29, 30, 40, 79, 80, 200])
@pytest.mark.parametrize("state", ["sinking", HOSTILE])
def test_no_line_is_wider_than_the_terminal(width: int, state: str) -> None:
    trace = Trace()
    for number in range(50):
        trace.push(sample(float(number), pack_volts=13.0 - number / 10))
    one = seen(
        last=sample(state=state, flags=(HOSTILE,)), events=({"kind": "trip", "elapsed_s": 3.0, "text": HOSTILE},),
        live=Live(nearest="low volts", nearest_share=0.04, expected_s=100.0), trouble=("samples.csv: damaged",),
    )  # fmt: skip
    lines = look_lines(one, name=HOSTILE, trace=trace, silent_s=500.0, width=width)
    assert max(map(len, lines)) <= max(width, 0)
    text = "\n".join(lines)
    assert not any(ord(char) < 32 and char != "\n" for char in text)
    assert "\x9b" not in text
    assert "\u202e" not in text


def test_what_is_shown_at_eighty_columns() -> None:
    one = seen(
        simulated=True, live=Live(nearest="low volts", nearest_share=0.04, expected_s=3600.0, unattended=True),
        events=({"kind": "mark", "elapsed_s": 5.0, "text": "lamp red"}, {"kind": "intent", "elapsed_s": 6.0}),
    )  # fmt: skip
    text = "\n".join(look_lines(one, name="a-run", trace=Trace()))
    for words in ("a-run: running, unattended SIMULATED", "13.000 V", "+5.000 A", "low volts, 4 % of the way left",
                  "at most 1:00:00", "0:00:05 mark: lamp red"):  # fmt: skip
        assert words in text
    assert "intent" not in text


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=100), st.integers(-3, 90))
def test_a_strip_chart_of_anything(values: list[float], width: int) -> None:
    for blocks in (BLOCKS, PLAIN):
        chart = strip_chart(values, width=width, blocks=blocks)
        assert len(chart) <= max(0, width)
        assert set(chart) <= {*blocks, " "}


@given(st.dictionaries(st.sampled_from(["kind", "elapsed_s", "text", "reason"]), st.none() | st.text() | st.floats()))
def test_an_event_of_anything_is_one_line(event: dict[str, object]) -> None:
    assert "\n" not in event_line(event)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_reading_that_is_missing_is_called_unknown(value: float) -> None:
    text = "\n".join(look_lines(seen(last=sample(pack_volts=value)), name="x", trace=Trace()))
    assert "unknown" in text
    assert "nan" not in text


def test_silence_from_the_first_look_on() -> None:
    quiet, stale = Quiet(), seen(grown=(1,), written_s=BEGUN.timestamp() - 100.0)
    assert quiet.push(stale, wall_s=5.0, utc=BEGUN) == 100.0
    assert quiet.push(stale, wall_s=7.0, utc=BEGUN) == 102.0
    assert quiet.push(seen(grown=(2,)), wall_s=9.0, utc=BEGUN) == 0.0
    assert Quiet().push(seen(written_s=math.nan), wall_s=5.0, utc=BEGUN) == 0.0
    assert Quiet().push(seen(outcome="finished", written_s=0.0), wall_s=5.0, utc=BEGUN) == 0.0


@pytest.mark.parametrize("terminal", [True, False])
def test_watched_to_its_end(terminal: bool, tmp_path: Path) -> None:
    run = Running(tmp_path, name="a\x1b[31mb")
    run.goes_on(2)
    out = Terminal() if terminal else io.StringIO()
    clock = Turning(
        lambda: run.goes_on(state="resting"),
        lambda: run.recorder.event("mark", text=HOSTILE),
        lambda: run.recorder.event("mark", text="same"),
        lambda: run.recorder.event("mark", text="same"),
        lambda: run.ends("tripped", "low volts: 9.1 V", 21),
    )
    last = watch_run(RunFolder.open(run.folder.path), out=out, clock=clock)
    text = out.getvalue()
    assert last.outcome == "tripped"
    assert "Tripped: low volts: 9.1 V." in text
    assert "off confirmed: load said off" in text
    assert "SIMULATED" in text
    assert "\x1b]0;" not in text
    if not terminal:
        assert "\x1b" not in text
        assert text.count("mark: same") == 2
        assert "doing resting" in text


def test_a_pipe_that_nobody_reads_ends_the_watching_and_not_the_run(tmp_path: Path) -> None:
    run = Running(tmp_path)
    run.goes_on(2)
    reads, writes = os.pipe()
    os.close(reads)
    watching = subprocess.run(
        [sys.executable, "-m", "harness.cli", "watch", str(run.folder.path)],
        stdout=writes, stderr=subprocess.PIPE, timeout=30, check=False,
    )  # fmt: skip
    os.close(writes)
    assert b"Traceback" not in watching.stderr
    run.goes_on()
    assert Follower(RunFolder.open(run.folder.path)).look().is_on
    run.dies()


def test_a_watcher_that_is_stopped_holds_up_nobody(tmp_path: Path) -> None:
    """Frozen in the middle of its looks, it holds no lock that the run wants: the run writes on and ends."""
    run = Running(tmp_path)
    run.goes_on(2)
    with subprocess.Popen(
        [sys.executable, "-m", "harness.cli", "watch", str(run.folder.path)], stdout=subprocess.PIPE
    ) as watching:
        try:
            assert watching.stdout is not None
            assert b"running" in watching.stdout.readline()
            watching.send_signal(signal.SIGSTOP)
            run.goes_on(500)
            run.recorder.event("trip", text="low volts")
            run.ends("tripped", "low volts", 21)
            assert RunFolder.open(run.folder.path).outcome() == "tripped"
            watching.send_signal(signal.SIGCONT)
            assert b"Tripped: low volts." in watching.stdout.read()
        finally:
            watching.kill()
