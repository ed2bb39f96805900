"""Two people start a run on one bench at the same moment: one run goes on undisturbed, the other is told so.

Real processes on one served bench, the bench's own truth. The whole has its own command, and prints its figures:

    pytest -n 0 -m slow -s tests/safety/test_real_race.py
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from guarded import PATIENCE_S, Control, served

from harness.folder import RunFolder, list_runs
from harness.jsonlines import events
from harness.samplefile import samples

SHARE = float(os.environ.get("NIGHTBENCH_SHARE", "1"))
"""Share of the whole that is run, for a machine that has less time."""

PLAN = ("charge_first=false", "rest_s=0", "rate_it=0.2")
"""The pack must last for all races."""

APART_S, CLOSE_S = 0.4, 0.02
"""The two are started at most so far apart, half of them closely; how long each takes to get going is the machine's own
draw."""

ROWS = 10
"""So many more samples the one that goes on must take once the other is gone."""


def starter(place: Path, files: tuple[str, str], out: str) -> subprocess.Popen[str]:
    sets = [word for one in PLAN for word in ("--set", one)]
    words = ["run", "capacity", "--bench", files[0], "--pack", files[1], *sets, "--out", str(place / out)]
    return subprocess.Popen(
        [sys.executable, "-m", "harness.cli", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "NIGHTBENCH_STATE": str(place / "state")},
        start_new_session=True,
    )


@contextmanager
def both(
    place: Path, files: tuple[str, str], others: tuple[str, str], apart_s: float
) -> Iterator[dict[str, subprocess.Popen[str]]]:
    """Two starters, ``apart_s`` from each other."""
    started = {"first": starter(place, files, "first")}
    try:
        time.sleep(apart_s)
        started["second"] = starter(place, others, "second")
        yield started
    finally:
        for one in started.values():
            if one.poll() is None:
                with suppress(ProcessLookupError):
                    one.kill()
                one.communicate()


def until(true: object, what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end, f"{what}: not in time"
        time.sleep(0.01)  # real processes: polled


def rows_of(place: Path) -> int:
    """Samples of the only run of a folder; 0 while there is none."""
    found = list(place.glob("*/samples.csv"))
    return max(0, found[0].read_bytes().count(b"\n") - 1) if found else 0


def race(place: Path, control: Control, files: tuple[str, str], others: tuple[str, str], apart_s: float) -> str:
    """One race; who won it."""
    place.mkdir()
    with both(place, files, others, apart_s) as running:
        until(lambda: any(one.poll() is not None for one in running.values()), "one of them ends")
        ended = [name for name, one in running.items() if one.poll() is not None]
        assert len(ended) == 1, [(one.returncode, one.communicate()) for one in running.values()]
        (loser,), (winner,) = ended, running.keys() - set(ended)
        _, said = running[loser].communicate()
        assert running[loser].returncode == 12, said
        assert "held by another run" in said
        assert "which may be live" in said
        assert not list((place / loser).glob("*")), "the one that lost has begun nothing"
        until(lambda: control.truth()["load_on"], "the winner's load on")
        seen = rows_of(place / winner)
        until(lambda: rows_of(place / winner) >= seen + ROWS, "the winner goes on")
        running[winner].send_signal(signal.SIGINT)
        _, said = running[winner].communicate(timeout=PATIENCE_S)
        assert running[winner].returncode == 20, said
    assert control.is_off()
    (folder,) = list_runs(place / winner)
    undisturbed(folder)
    return winner


def undisturbed(folder: RunFolder) -> None:
    assert folder.outcome() == "stopped"
    kinds = Counter(str(event["kind"]) for event in events(folder))
    assert kinds["energised"] == 1
    assert not kinds["trip"] + kinds["instrument error"] + kinds["gap"]
    times = [row.elapsed_s for row in samples(folder)]
    assert times == sorted(times)


def races(place: Path, count: int) -> Counter[str]:
    draw, won = random.Random("races"), Counter[str]()
    with served() as (bench, control):
        text = bench.bench_toml()
        (place / "bench.toml").write_text(text, encoding="utf-8")
        # The same instruments by another name of the same machine, as on another person's file.
        (place / "theirs.toml").write_text(text.replace("TCPIP::127.0.0.1::", "TCPIP::localhost::"), encoding="utf-8")
        (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
        mine, theirs = ((str(place / name), str(place / "pack.toml")) for name in ("bench.toml", "theirs.toml"))
        for number in range(count):
            other = theirs if number % 2 else mine
            apart_s = draw.uniform(0.0, APART_S if number % 4 < 2 else CLOSE_S)
            won[race(place / str(number), control, mine, other, apart_s)] += 1
    return won


def test_one_race(tmp_path: Path) -> None:
    assert sum(races(tmp_path, 1).values()) == 1


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_hundred_races(tmp_path: Path) -> None:
    count = max(1, round(SHARE * 100))
    won = races(tmp_path, count)
    print(f"{sum(won.values())} races of 100: each won by one, {dict(won)}; the other one got 12 and began nothing")
    assert sum(won.values()) == count
    assert len(won) == 2 or count < 20, "both kinds of race were run"
