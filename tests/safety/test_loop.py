"""The sampling loop: stalls of the machine, and a clock that is lost."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from night import SHORT, Night, Wires, judge, obstinate, spend, truly_off
from night_clocks import RunningClock, StallingClock

from harness.clock import StandstillLost, VirtualClock

NAN = float("nan")
LONGER = replace(SHORT["capacity"], start_share=0.10)
"""Some two minutes of discharge."""


# -- stalls ------------------------------------------------------------------------------------------------------------


def stalled(out: Path, seconds: float, *, at: int = 8, clock: VirtualClock | None = None) -> Night:
    """A night in which whoever shows the progress holds everything up once."""
    clock = clock or RunningClock()
    return spend(out, SHORT["capacity"], clock=clock, each=lambda n, _s: clock.sleep(seconds) if n == at else None)


@pytest.mark.parametrize("seconds", [0.5, 2.0, 2.9])
def test_a_short_stall_is_passed_over(seconds: float, tmp_path: Path) -> None:
    night = stalled(tmp_path, seconds)
    assert judge(night) == []
    assert night.exit_code == 0


@pytest.mark.parametrize("seconds", [3.2, 4.0, 20.0])
def test_a_long_one_ends_the_run(seconds: float, tmp_path: Path) -> None:
    night = stalled(tmp_path, seconds)
    assert truly_off(night.world)
    assert (night.exit_code, night.result.outcome) == (24, "tripped")
    assert "between two samples, limit 3.0 s" in night.result.end_reason


def test_two_hours_asleep(tmp_path: Path) -> None:
    """By then the load's own stop has ended the discharge; nothing is switched on again."""
    night = stalled(tmp_path, 7200.0)
    assert judge(night) == []
    assert night.exit_code in (21, 24)
    assert len(night.on_at()) == 1


def test_after_a_stall_the_first_turn_switches_off(tmp_path: Path) -> None:
    night = stalled(tmp_path, 20.0)
    stalled_s = max(b - a for (a, *_), (b, *_) in pairwise(night.wires.heard))
    assert stalled_s >= 19.0
    woke = next(t for (before, *_), (t, *_) in pairwise(night.wires.heard) if t - before > 19)
    assert next(t for t, _ in night.off_at() if t >= woke) == woke


def test_a_stall_at_rest_counts_as_well(tmp_path: Path) -> None:
    assert stalled(tmp_path, 4.0, at=2).exit_code == 24


def test_on_a_bench_that_stands_still_meanwhile_a_stall_is_no_gap(tmp_path: Path) -> None:
    clock = StallingClock()

    def each(number: int, _sample: Any) -> None:
        clock.wall_s += 3600.0 if number == 8 else 0.0

    assert spend(tmp_path, SHORT["capacity"], clock=clock, each=each).exit_code == 0


@pytest.mark.parametrize(
    ("seconds", "running", "code", "words"),
    [
        (0.99, True, 0, ""),
        (1.01, True, 24, "of machine time for one exchange, limit 1.0 s"),
        (2.9, False, 0, ""),
        (3.1, False, 24, "of machine time for one turn, limit 3.0 s"),
        (3.1, True, 24, "of machine time for one turn, limit 3.0 s"),
    ],
)
def test_an_exchange_that_takes_too_long(seconds: float, running: bool, code: int, words: str, tmp_path: Path) -> None:
    clock = StallingClock()
    clock.runs_by_itself = running  # type: ignore[misc]
    count = 0

    def arrange(wires: Wires) -> None:
        def before(_number: int, name: str, message: bytes) -> None:
            nonlocal count
            count += name == "meter" and bool(wires.bench.world.load.input_on)
            if name == "meter" and count == 5:
                clock.wall_s += seconds

        wires.before = before

    night = spend(tmp_path, SHORT["capacity"], clock=clock, arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == code
    assert words in night.result.end_reason


def test_switching_off_slowly_is_no_gap(tmp_path: Path) -> None:
    """A load that obeys only when asked for the fifth time: two seconds and more at the end of the block."""
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == b"INP OFF"
        return b"" if (text == b"INP OFF" and count < 5) or text in (b"FUNC CURR", b"CURR 0.000") else None

    def late(text: bytes) -> bytes | None:
        return answer(text) if held[0].bench.world.load.input_on or count else None

    held: list[Wires] = []

    def arrange(wires: Wires) -> None:
        held.append(wires)
        obstinate(wires, "load", late)

    night = spend(tmp_path, SHORT["capacity"], clock=RunningClock(), arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == 0
    assert max(event["took_s"] for event in night.events("off")) > 2.0


class LostClock(VirtualClock):
    """A bench whose control line hangs up at ``at_s``: the wait fails once, then time passes by itself."""

    lost = False

    def __init__(self, at_s: float) -> None:
        super().__init__()
        self.at_s = at_s

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        super().sleep_until(t_s, **keys)
        if self.now() >= self.at_s and not self.lost:
            self.lost = True
            raise StandstillLost("127.0.0.1:1", "hung up")


@pytest.mark.parametrize("at_s", [2.5, 6.0, 9.3, 14.0])
def test_the_benchs_own_clock_is_lost(at_s: float, tmp_path: Path) -> None:
    """In a rest, in the block, while switching off: the run ends, off."""
    night = spend(tmp_path, SHORT["capacity"], clock=LostClock(at_s))
    assert judge(night) == []
    assert night.exit_code == 23
    assert night.result.end_reason.startswith("clock lost: ")
