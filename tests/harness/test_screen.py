"""Progress, prompts and stops: what is shown fits, says what is unknown, and never ends a run."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import math
import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_said import Said

from harness.barriers import Tried
from harness.briefing import interlock_lines, plan_lines
from harness.findings import Watch
from harness.job import Job, Ready, prepare
from harness.lines import wrapped
from harness.preflight_check import Check
from harness.procedure import procedures
from harness.progress import progress_line
from harness.sample import Sample
from harness.screen import Screen
from harness.voice import MOST, Voice

NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)
SAMPLE = Sample(2166.0, "2025-01-01T22:36:06.000Z", "sourcing", 26.8351, -4.9951, -3.0061, -80.0, 24.04)


class Nearest:
    """Stands in for the interlocks."""

    def nearest(self, sample: Sample, watch: Watch) -> tuple[str, float]:
        return "over-current", 0.5


# -- the progress line -------------------------------------------------------------------------------------------------


ROOMY = (
    "0:36:06 sourcing 26.835 V -4.995 A -3.006 Ah 24.0 degC | nearest limit: over-current, 50 % of the way left | "
    "at most 1:53:54 to go"
)


@pytest.mark.parametrize(
    ("width", "line"),
    [
        (200, ROOMY),
        (100, "0:36:06 sourcing 26.835 V -4.995 A -3.006 Ah 24.0 degC | over-current 50 % off | <1:53 left"),
        (80, "0:36:06 sourcing 26.835 V -4.995 A -3.006 Ah 24.0 degC over-current 50 % <1:53"),
        (70, "0:36 sourcing 26.84 V -5 A -3.01 Ah 24 degC over-current 50 % <1:53"),
        (40, "0:36 sourcing 26.84 V -5 A -3.01 Ah"),
        (20, "0:36 sourcing 26.84 "),
    ],
)
def test_progress_fits_its_place(width: int, line: str) -> None:
    assert progress_line(SAMPLE, ("over-current", 0.5), 9000.0, width=width) == line


def test_what_is_missing_is_shown_as_missing() -> None:
    lost = dataclasses.replace(SAMPLE, pack_volts=math.nan, pack_amps=math.nan, pack_temp_c=math.nan)
    assert progress_line(lost, None, 0.0) == "0:36:06 sourcing ? V ? A -3.006 Ah"


numbers = st.floats(-1e4, 1e4) | st.just(math.nan)


@given(
    elapsed=st.floats(0, 2e6), volts=numbers, amps=numbers, charge=st.floats(-1e4, 1e4), temp=numbers,
    share=st.floats(0, 1), expected=st.floats(0, 2e6), width=st.integers(10, 250),
)  # fmt: skip
def test_progress_is_never_wider_than_its_place(
    elapsed: float, volts: float, amps: float, charge: float, temp: float, share: float, expected: float, width: int
) -> None:
    sample = Sample(elapsed, "", "sourcing", volts, amps, charge, 0.0, temp)
    line = progress_line(sample, ("current the wrong way", share), expected, width=width)
    assert len(line) <= width
    assert "nan" not in line


def test_a_path_is_not_cut_in_two() -> None:
    path = "/tmp/" + "long-name/" * 12
    assert path in wrapped((f"  record: {path}",)).split()
    assert all(len(line) <= 80 for line in wrapped(("word " * 60, "    indented " * 20)).splitlines())


# -- a screen in a pipe ------------------------------------------------------------------------------------------------


def test_in_a_pipe_a_line_comes_now_and_then(said: Said) -> None:
    machine = iter(0.1 * n for n in range(10_000))
    screen = Screen(wall=lambda: next(machine))
    for second in range(4000):
        sample = dataclasses.replace(SAMPLE, elapsed_s=float(second), state="resting" if second < 2000 else "sinking")
        screen.show(sample, Watch("rest", "capacity"), Nearest())  # type: ignore[arg-type]
    lines = said.getvalue().splitlines()
    assert [line.split()[0] for line in lines] == ["0:00:00", "0:10:00", "0:20:00", "0:30:00", "0:33:20", "0:43:20",
                                                   "0:53:20", "1:03:20"]  # fmt: skip
    assert "sinking" in lines[4], "a new phase is told at once"


class Broken(io.StringIO):
    def write(self, _text: str) -> int:
        raise BrokenPipeError


def test_a_terminal_that_has_gone_ends_nothing(monkeypatch: pytest.MonkeyPatch, ready: Ready) -> None:
    monkeypatch.setattr(sys, "stderr", Broken())
    screen = Screen(wall=lambda: 0.0)
    screen.say("hello")
    monkeypatch.setattr(sys, "stderr", Broken())
    screen.checked(ready, (Check("a", "note", "b"),))
    screen.show(SAMPLE, Watch("rest", "capacity"), Nearest())  # type: ignore[arg-type]


def test_everything_said_fits_and_acts_on_no_terminal(said: Said) -> None:
    screen = Screen(wall=lambda: 0.0)
    screen.say(
        "*** OFF NOT CONFIRMED ***\n" + "2 no smoke, no smell: " + "pull the fuse, stand aside; " * 8 + "\x1b[2J"
    )
    lines = said.getvalue().splitlines()
    assert lines[0] == "*** OFF NOT CONFIRMED ***"
    assert len(lines) > 3
    assert all(len(line) <= 80 for line in lines)
    assert "\x1b" not in said.getvalue()


def test_one_screen_before_anything_is_switched_on(said: Said, ready: Ready) -> None:
    screen = Screen(wall=lambda: 0.0, calendar=lambda: NIGHT)
    screen.checked(ready, (Check("pack volts", "note", "charged lately"),))
    screen.before_energising(ready, Tried(load_stop="2025-01-01", pending=False, typed={}))
    text = said.getvalue()
    for words in (
        "note: pack volts: charged lately",
        "1. charge at 5 A to 28.8 V",
        "limits in force",
        "never below 16.00 V",
        "! Not a safety device",
        "ABOUT TO BE SWITCHED ON",
        "DC fuse of 30 A: declared, not seen",
        "own low-volts stop: seen to act 2025-01-01",
        "STAY WITH IT",
        "Ctrl-C stops",
    ):
        assert words in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_a_warning_is_told_once_a_run(said: Said, ready: Ready) -> None:
    screen = Screen(wall=lambda: 0.0)
    screen.warn("lead resistance: 21.4 mohm, 16.0 mohm at the beginning")
    screen.warn("lead resistance: 22.0 mohm, 16.0 mohm at the beginning")
    screen.warn("another: more")
    assert said.getvalue() == (
        "warning: lead resistance: 21.4 mohm, 16.0 mohm at the beginning\nwarning: another: more\n"
    )


def test_a_refusal_is_not_told_twice(said: Said, ready: Ready) -> None:
    Screen(wall=lambda: 0.0).checked(ready, (Check("a", "note", "b"), Check("c", "refused", "d")))
    assert said.getvalue() == ""


def test_the_end_by_the_clock(ready: Ready) -> None:
    text = " ".join(plan_lines(ready, now=NIGHT))
    assert "together about 8:40:00 (h:mm:ss); started now it ends about Thu 2025-01-02 06:40" in text
    assert "ends about" not in " ".join(plan_lines(ready))


def test_a_real_bench_is_asked_for_the_label(on_sockets: Any) -> None:
    made = on_sockets.files
    text = " ".join(plan_lines(prepare(Job(procedures()["capacity"], made.bench, made.pack))))
    assert "you will be asked: cells in series as printed on the pack's own label" in text


def test_interlocks_in_words() -> None:
    text = "\n".join(interlock_lines("capacity", ("rest", "source", "sink")))
    assert "low volts: always" in text
    assert "over-current: charging, discharging; not at rest: " in text
    assert "source" not in text
    assert "replaced" not in text


# -- a terminal that takes nothing -------------------------------------------------------------------------------------


@contextlib.contextmanager
def stuck() -> Iterator[int]:
    """Standard error is a full pipe nobody reads; its reading end."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write, b"." * 65536)
    os.set_blocking(write, True)
    with open(write, "w", encoding="utf-8") as stream, pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stderr", stream)
        try:
            yield read
        finally:
            os.close(read)  # whoever still writes is let go


@pytest.mark.timeout(20)
def test_a_terminal_that_takes_nothing_holds_up_nothing() -> None:
    voice = Voice()
    with stuck() as terminal:
        screen = Screen(wall=lambda: 0.0, voice=voice)
        screen.say("hello")
        assert voice.flush(0.05) is False
        assert voice.flush(1000.0) is False, "waited for once, then given up"
        for number in range(3 * MOST):
            sample = dataclasses.replace(SAMPLE, state=f"phase{number}")
            screen.show(sample, Watch("rest", "capacity"), Nearest())  # type: ignore[arg-type]
        kept = 3 * MOST - voice.dropped
        assert 0 < kept < 50, "progress is dropped first"
        screen.signalled("SIGTERM")
        for _ in range(2 * MOST):
            screen.say("words")
        assert voice.dropped > 3 * MOST - kept + MOST
        shown = b""
        while not shown.endswith(b"words\n"):
            shown += os.read(terminal, 65536)
    assert shown.index(b"hello\n") < shown.index(b"phase0") < shown.index(b"SIGTERM: stopping") < shown.index(b"words")


def test_what_was_not_shown_is_counted() -> None:
    voice = Voice()
    with stuck() as terminal:
        for _ in range(MOST + 7):  # nobody speaks yet: all waits
            voice.say("x\n")
        assert voice.dropped == 7
        voice.start()
        shown = b""
        while shown.count(b"x\n") < MOST:
            shown += os.read(terminal, 65536)
        voice.say("again\n")
        assert voice.flush(10.0)
        assert os.read(terminal, 65536) == b"(7 lines were not shown: nothing was taken here)\nagain\n"
