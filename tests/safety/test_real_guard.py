"""Runs with their guard in processes of their own: killed, stopped, alone; judged by what the bench itself says.

A sample belongs to the ordinary suite. The whole has its own command, and prints its figures:

    pytest -n 0 -m slow -s tests/safety/test_real_guard.py
"""

from __future__ import annotations

import os
import random
import statistics
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from signal import SIGINT, SIGSTOP

import pytest
from guarded import (
    both_killed,
    guard_killed,
    guard_told_to_end,
    loop_hung,
    run,
    run_killed,
    run_stopped,
    stopped_switching_off,
    stormed,
)

from harness.guarding import SILENCE_LEAST_S
from harness.stops import StoppedByPerson

DEATH_MEDIAN_S, DEATH_WORST_S = 0.050, 2.0
SILENCE_WORST_S = SILENCE_LEAST_S + 0.6
GUARD_LOST_WORST_S = 5.0

SHARE = float(os.environ.get("NIGHTBENCH_SHARE", "1"))
"""Share of the whole that is run, for a machine that has less time."""


def some(count: int) -> int:
    return max(1, round(SHARE * count))


def procedure(number: int) -> str:
    return ("capacity", "charge")[number % 2]


def figures(what: str, took: list[float], whole: int) -> None:
    words = f"median {statistics.median(took):.3f} s, worst {max(took):.3f} s" if took else "none"
    print(f"{what}: {len(took)} of {whole}: {words}")


def test_a_sample(tmp_path: Path) -> None:
    """Side by side, since each mostly waits: a run killed, one stopped, one whose guard is killed or stopped."""
    draw = random.Random(1)
    jobs: dict[str, tuple[float, Callable[[], float]]] = {
        "killed": (DEATH_WORST_S, partial(run_killed, tmp_path / "0", draw, procedure="capacity")),
        "stopped": (SILENCE_WORST_S, partial(run_stopped, tmp_path / "1", draw, procedure="charge")),
        "guard killed": (GUARD_LOST_WORST_S, partial(guard_killed, tmp_path / "2", draw, procedure="charge")),
        "guard stopped": (
            GUARD_LOST_WORST_S,
            partial(guard_killed, tmp_path / "3", draw, procedure="capacity", how=SIGSTOP),
        ),
        "guard told to end": (DEATH_WORST_S, partial(guard_told_to_end, tmp_path / "4", procedure="capacity")),
    }
    with ThreadPoolExecutor(len(jobs)) as pool:
        took = {name: pool.submit(job) for name, (_, job) in jobs.items()}
    found = {name: one.result() for name, one in took.items()}
    print(found)
    for name, (limit_s, _) in jobs.items():
        assert found[name] <= limit_s, name


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_killed_at_drawn_instants(tmp_path: Path) -> None:
    draw = random.Random("killed")
    took = [run_killed(tmp_path / str(n), draw, procedure=procedure(n)) for n in range(some(200))]
    figures("run killed, off after", took, 200)
    assert statistics.median(took) <= DEATH_MEDIAN_S
    assert max(took) <= DEATH_WORST_S


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_stopped_at_drawn_instants(tmp_path: Path) -> None:
    draw = random.Random("stopped")
    took = [run_stopped(tmp_path / str(n), draw, procedure=procedure(n)) for n in range(some(50))]
    figures(f"run stopped (limit {SILENCE_LEAST_S:g} s), off after", took, 50)
    assert max(took) <= SILENCE_WORST_S


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", ["capacity", "charge"])
def test_stopped_at_each_step_of_switching_off(name: str, tmp_path: Path) -> None:
    """The guard does what is left to be done. Four side by side, since each mostly waits."""
    took: dict[int, float] = {}
    with ThreadPoolExecutor(4) as pool:
        for first in range(1, 100, 4):
            steps = range(first, first + 4)
            jobs = [partial(stopped_switching_off, tmp_path / str(n), n, procedure=name) for n in steps]
            found = [pool.submit(job) for job in jobs]
            took |= {n: one for n, job in zip(steps, found, strict=True) if (one := job.result()) is not None}
            if max(took, default=0) < max(steps):
                break  # the whole of switching off has no more steps
    figures(f"{name}: stopped at each of {len(took)} steps of switching off, off after", list(took.values()), len(took))
    assert len(took) >= 4
    assert sorted(took) == list(range(1, len(took) + 1))
    assert max(took.values()) <= SILENCE_WORST_S


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("how", ["SIGKILL", "SIGSTOP"])
def test_the_guard_killed_or_stopped_at_drawn_instants(how: str, tmp_path: Path) -> None:
    import signal

    draw, whole = random.Random(how), {"SIGKILL": 50, "SIGSTOP": 20}[how]
    number = getattr(signal, how)
    took = [guard_killed(tmp_path / str(n), draw, procedure=procedure(n), how=number) for n in range(some(whole))]
    figures(f"guard got {how}, off after", took, whole)
    assert max(took) <= GUARD_LOST_WORST_S


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_both_killed_at_drawn_instants(tmp_path: Path) -> None:
    """Nobody is left: the load's own stop ends it, with every cell above what it must never be under."""
    draw = random.Random("both")
    found = [both_killed(tmp_path / str(n), draw) for n in range(some(20))]
    lowest = min(one["lowest_cell_volts"] for one in found)
    longest_s = max(one["took_s"] for one in found)
    print(f"both killed: {len(found)} of 20: lowest cell {lowest:.3f} V, after at most {longest_s:.0f} s of the bench")
    assert not any(one["load_on"] or one["supply_on"] for one in found)
    assert lowest >= 2.0


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_storms_of_signals(tmp_path: Path) -> None:
    draw = random.Random("storms")
    codes = [stormed(tmp_path / str(n), draw, procedure=procedure(n)) for n in range(some(100))]
    print(f"storms: {len(codes)} of 100: exit codes {sorted(set(codes))}")
    assert set(codes) == {StoppedByPerson.exit_code}


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_when_the_run_cannot_confirm_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The load takes no notice of "off": the run says so and goes on trying, the guard beside it, the run's process
    left alone; with the run gone the guard goes on, and ends once off is confirmed."""
    with run(tmp_path / "0", "capacity") as one:
        kind = type(one.bench.bench.world.load)

        def obstinate(self: object, name: str, value: object) -> None:
            if not (name == "input_on" and value is False):
                object.__setattr__(self, name, value)

        monkeypatch.setattr(kind, "__setattr__", obstinate, raising=False)
        one.process.send_signal(SIGINT)
        one.until(lambda: any(row["what"] == "not confirmed" for row in one.log()), "the guard's alarm")
        row = next(row for row in one.log() if row["what"] == "not confirmed")
        assert row["text"].startswith("*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***")
        assert 'load "load" (serial porch-2): asked off' in row["text"]
        assert "killed" not in row
        assert next(row for row in one.log() if row["what"] == "acting")["killed"] is False
        assert one.process.poll() is None
        one.process.kill()
        monkeypatch.undo()
        one.until(lambda: one.log()[-1]["what"] == "off confirmed", "guard's last word")
        assert one.control.is_off()


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("wire", ["pty", "hislip"])
def test_killed_on_other_lines(wire: str, tmp_path: Path) -> None:
    draw = random.Random(wire)
    took = [run_killed(tmp_path / str(n), draw, procedure=procedure(n), wire=wire) for n in range(some(10))]
    figures(f"run killed over {wire}, off after", took, 10)
    assert max(took) <= DEATH_WORST_S


@pytest.mark.slow
@pytest.mark.parametrize("name", ["capacity", "charge"])
def test_a_loop_that_hangs_while_threads_go_on(name: str, tmp_path: Path) -> None:
    took_s = loop_hung(tmp_path / "0", procedure=name)
    print(f"loop hung in {name}: off within {took_s:.2f} s")
    assert took_s <= SILENCE_WORST_S + 0.6, "and 0.6 s within which the last sample was"
