"""A run that lives and does not get the bench off is helped by its guard beside it, and not killed."""

from __future__ import annotations

import json
import math
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import guarded as real
import pytest
from guard_bench import Bench, close, given, guarded, hang_up, name_of, on_relays, relays
from test_guard_pulse import beat, pulse

from harness import guard_acting, guard_pulse, guard_round
from harness.guard_pulse import BESIDE_S, OFF_STATE, PROVING, REST, SWITCHING
from sims import serve_tcp

BEGUN = ("sink", 1.0), (SWITCHING, 2.0)


@pytest.mark.parametrize(
    ("said", "beside_s"),
    [
        ((("sink", 1.0),), math.inf),
        (BEGUN, 2.0 + BESIDE_S),
        ((*BEGUN, (SWITCHING, 4.0)), 2.0 + BESIDE_S),
        # A witness is waited for: nothing is done meanwhile; where it contradicts, all that time counts.
        ((*BEGUN, (PROVING, 2.5)), math.inf),
        ((*BEGUN, (PROVING, 2.5), (SWITCHING, 4.5)), 2.0 + BESIDE_S),
        ((*BEGUN, (REST, 3.0)), math.inf),
        ((*BEGUN, (OFF_STATE, 3.0)), math.inf),
        # A load that goes last is on on purpose: it counts from when it was told.
        ((("trace", 1.0), (SWITCHING, 2.0), ("trace", 2.2), (SWITCHING, 5.0)), 5.0 + BESIDE_S),
    ],
)
def test_when_a_run_is_helped(said: tuple[tuple[str, float], ...], beside_s: float) -> None:
    one = pulse(states=frozenset({"sink", "trace", SWITCHING, PROVING, REST, OFF_STATE}))
    for number, (state, at_s) in enumerate(said, 1):
        one.judge(beat(number, at_s, state), at_s)
    assert one.beside_s == beside_s
    assert one.is_switching_off is (said[-1][0] in (SWITCHING, PROVING))


def test_proving_has_an_end_too() -> None:
    one = pulse(states=frozenset({"sink", SWITCHING, PROVING}))
    for number in range(1, 25):
        one.judge(beat(number, float(number), PROVING if number % 2 else SWITCHING), float(number))
    assert "switching off goes on" in (one.late(24.0) or "")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same in tenths of seconds."""
    monkeypatch.setattr(guard_pulse, "BESIDE_S", 0.2)
    for module in (guard_acting, guard_round):
        monkeypatch.setattr(module, "UNSAFE_S", 0.8)


@pytest.fixture
def a_run() -> Iterator[int]:
    import subprocess
    import sys

    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    yield process.pid
    assert process.poll() is None, "nobody has killed it"
    process.kill()
    process.communicate()


def says(bench: Bench, *states: str) -> None:
    for state in states:
        one = bench.guard.pulse
        one.states |= {state}
        one.judge(beat(one.sequence + 1, time.monotonic(), state, seal="ab"), time.monotonic() + 0.001)


def until(bench: Bench, true: Callable[[], bool], *, within_s: float = 3.0) -> None:
    """The guard goes on listening to a run that is still switching off."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, [one.last for one in bench.guard.outputs.values()]
        says(bench, SWITCHING)
        bench.guard.beside()
        time.sleep(min(0.01, bench.guard.wait_s))  # real lines: polled


def journal(place: Path) -> list[str]:
    return [json.loads(line)["what"] for line in (place / "guard.log").read_text().splitlines()]


@pytest.mark.usefixtures("quick")
def test_beside_and_then_no_longer(tmp_path: Path, a_run: int) -> None:
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        bench.energise()
        says(bench, "sink", SWITCHING)
        bench.guard.beside()
        assert bench.on() == (True, True), "it is given its time"
        until(bench, lambda: bench.guard.round is not None and bench.guard.round.over.is_set())
        assert bench.on() == (False, False)
        # The run knows it too, and begins its next block: nobody switches that off.
        says(bench, REST, "source")
        bench.guard.beside()
        assert bench.guard.round is None
        bench.energise()
        time.sleep(0.1)
        bench.guard.beside()
        assert bench.on() == (True, True)
        # Should that run die, everything is looked at anew.
        bench.guard.act("test", fence=False)
        assert bench.on() == (False, False)
        bench.guard.journal.close(5.0)
    what = journal(tmp_path)
    assert what == ["beside the run", "seen off, beside the run", "acting", "off confirmed"]


@pytest.mark.usefixtures("quick")
def test_one_that_cannot_be_reached_is_said_aloud(tmp_path: Path, a_run: int, capfd: Any) -> None:
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        bench.energise()
        line = bench.guard.outputs["load"].line
        line.way = line.way | {"port": 1}
        says(bench, "sink", SWITCHING)
        until(bench, lambda: bench.guard.round is not None and bench.guard.round.told)
        assert bench.on() == (False, True)
        said = capfd.readouterr().err
        assert said.count("*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***") == 1
        assert 'load "load"' in said
        assert 'supply "supply"' not in said
        bench.served.bench.world.load.input_on = False


@pytest.mark.usefixtures("quick")
def test_the_only_line_of_a_run_that_lives_is_left_to_it(tmp_path: Path, a_run: int) -> None:
    """Two who talk on one serial port spoil each other's words; once the run has given up, the guard has it."""
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        bench.energise()
        bench.guard.outputs["load"].line.way["shared"] = False
        says(bench, "sink", SWITCHING)
        until(bench, lambda: bench.guard.round is not None and bench.guard.outputs["supply"].off.is_set())
        assert bench.guard.outputs["load"].last == "its only line is the run's, which lives"
        assert bench.on() == (False, True)
        bench.guard.act("the run could not confirm off", fence=False)
        assert bench.on() == (False, False)


def test_the_contactor_opens_under_load(tmp_path: Path, a_run: int) -> None:
    with on_relays(tmp_path, a_run) as bench:
        close(bench, "contactor")
        bench.energise()
        hang_up(bench)
        line = bench.guard.outputs["load"].line
        line.way = line.way | {"port": 1}
        says(bench, "sink", SWITCHING)
        bench.guard.pulse.off_since_s -= BESIDE_S  # it has been at it for so long
        until(bench, lambda: not any(relay.closed for relay in relays(bench)))
        took_s = bench.guard.outputs[name_of(bench, "contactor")].sent_s
        assert BESIDE_S <= took_s <= BESIDE_S + 0.9, "counted from the first order of the run"
        bench.guard.round.over.set()  # type: ignore[union-attr]


def test_orders_of_this_test_are_those_of_the_others(tmp_path: Path) -> None:
    assert {"pid", "journal", "gives_up_s"} <= given(tmp_path, os.getpid()).keys()


# -- in processes of their own -----------------------------------------------------------------------------------------


def sockets_of(pid: int) -> set[int]:
    """Local TCP ports that a process holds."""
    inodes: set[str] = set()
    for entry in Path("/proc").glob(f"{pid}/fd/*"):
        try:
            target = os.readlink(entry)
        except OSError:
            continue
        if target.startswith("socket:["):
            inodes.add(target[8:-1])
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return {int(row[1].rpartition(":")[2], 16) for row in rows if row[9] in inodes}


@contextmanager
def hears_only(pid_of: Callable[[], int], monkeypatch: pytest.MonkeyPatch) -> Iterator[list[float]]:
    """Once there is such a process no instrument obeys anybody but it, on whatever connection; when it did not."""
    unheard: list[float] = []
    connection = serve_tcp.Connection

    def listening(loop: Any, client: Any, *, take: Callable[[bytes], None], **more: Any) -> Any:
        port = client.getpeername()[1]

        def heard(data: bytes) -> None:
            lines = data.split(b"\n")
            orders = [line for line in lines if line and b"?" not in line and line != b"SYST:REM"]
            if orders and pid_of() and port not in sockets_of(pid_of()):
                unheard.append(time.monotonic())
                data = b"\n".join(line for line in lines if line not in orders)
            take(data)

        return connection(loop, client, take=heard, **more)

    with monkeypatch.context() as patch:
        patch.setattr(serve_tcp, "Connection", listening)
        yield unheard


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("procedure", ["capacity", "charge"])
def test_off_that_only_the_run_cannot_give(procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pid = [0]
    with hears_only(lambda: pid[0], monkeypatch) as unheard, real.run(tmp_path / "it", procedure, speed=1.0) as one:
        pid[0] = one.guard_pid()
        unheard.clear()
        one.process.send_signal(signal.SIGINT)
        assert one.off_within_s(20.0) < 20.0
        off_s = time.monotonic()
        one.until(lambda: one.process.poll() is not None, "the run ends by itself")
        code, said = one.ended()
        first_s = unheard[0]
        what = [row["what"] for row in one.log()]
    print(f"{procedure}: off by the guard beside the run {off_s - first_s:.3f} s after its first order")
    assert code == 20, said
    assert BESIDE_S <= off_s - first_s <= BESIDE_S + 0.6
    assert what[:2] == ["armed", "beside the run"]
    assert "acting" not in what
    assert what[-1] == "ended"
