"""The line between a run and its guard, from both sides, the orders and the times; each value by hand."""

from __future__ import annotations

import math
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from harness import guard as guard_itself
from harness import guard_acting, guard_outputs, guard_pulse, guard_round, guarding
from harness.guard import Broken, Ear
from harness.guarding import GuardLink


def test_times_and_values_of_the_page_for_contributors() -> None:
    """What DEVELOPERS.md and the bars of the tests with real processes are counted from."""
    assert (guard_round.APART_S, guard_round.CONTACTOR_S) == (0.3, 2.0)
    assert (guard_round.REPEAT_S, guard_round.SOFTEN_S) == (0.5, 1.5)
    assert (guard_round.UNSAFE_S, guard_round.RETRY_S) == (10.0, 10.0)
    assert (guard_acting.DEATH_S, guard_outputs.FRESH_APART_S, guard_pulse.BESIDE_S) == (0.5, 0.2, 3.0)
    assert (guarding.SILENCE_LEAST_S, guarding.SILENCE_MOST_S, guarding.REST_S) == (5.0, 10.0, 60.0)
    assert (guarding.OFF_MOST_S, guarding.OLDEST_S, guarding.SIMULATED_GIVES_UP_S) == (20.0, 3.0, 3.0)
    assert (guarding.STARTING_S, guarding.ENDING_S, guarding.ANSWERED_S) == (5.0, 2.0, 2.0)
    assert (guard_itself.ARMING_S, guard_itself.JOURNAL_S) == (10.0, 5.0)


# -- the line, from the guard's side -----------------------------------------------------------------------------------


@pytest.fixture
def ear() -> Any:
    ours, theirs = socket.socketpair()
    woken, waker = socket.socketpair()
    yield Ear(theirs, woken), ours, waker
    for one in (ours, theirs, woken, waker):
        one.close()


def test_whole_lines_one_by_one(ear: Any) -> None:
    one, ours, _ = ear
    ours.sendall(b"first\nsec")
    assert one.next(5.0) == "first"
    assert one.next(0.0) == ""
    ours.sendall(b"ond\nthird\n")
    assert [one.next(5.0), one.next(5.0), one.next(0.0)] == ["second", "third", ""]
    ours.sendall(b"\xff\n")
    assert one.next(5.0) == "\ufffd"


def test_the_end_of_the_line_or_of_the_run(ear: Any) -> None:
    one, ours, _ = ear
    ours.sendall(b"last\nhalf")
    ours.close()
    assert one.next(5.0) == "last"
    assert one.next(5.0) is None


def test_what_a_dead_run_has_said_is_read_first(ear: Any) -> None:
    one, ours, _ = ear
    child = subprocess.Popen([sys.executable, "-c", ""])
    one.watched = os.pidfd_open(child.pid)
    child.wait()
    ours.sendall(b"last\n")
    assert one.next(5.0) == "last"
    assert one.next(5.0) is None
    os.close(one.watched)


def test_asked_to_end(ear: Any) -> None:
    one, _, waker = ear
    waker.sendall(b"\0")
    with pytest.raises(Broken, match="asked to end"):
        one.next(5.0)


def test_a_line_without_end_is_none(ear: Any) -> None:
    one, ours, _ = ear
    one._held = b"x" * 1_000_001
    ours.sendall(b"x")
    assert one.next(5.0) is None


# -- the line, from the run's side -------------------------------------------------------------------------------------


class Process:
    """Of the guard: whether it ends when it is waited for."""

    def __init__(self, ends: bool = True) -> None:
        self.pid, self.ends, self.killed, self.waited = 4711, ends, False, [0.0][:0]

    collected = False

    def wait(self, timeout: float | None = None) -> int:
        self.collected |= timeout is None
        if timeout is not None:
            self.waited.append(timeout)
        if not self.ends and not self.killed:
            raise subprocess.TimeoutExpired("guard", timeout or 0.0)
        return 0

    def poll(self) -> int | None:
        return 0 if self.ends or self.killed else None

    def kill(self) -> None:
        self.killed = True


@pytest.fixture
def linked() -> Any:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.settimeout(5.0)
    clock = [100.0]
    link = GuardLink(lambda: "seal", Process(), ours, lambda: clock[0], Path("guard.log"))  # type: ignore[arg-type]
    yield link, theirs, clock
    ours.close()
    theirs.close()


@pytest.mark.parametrize(
    ("age_s", "age_ms"),
    [
        (0.0, 0),
        (0.0124, 12),
        (3.0, 3000),
        (-1.0, 0),
        (999999.0, 999999000),
        (1e6, 10**9),
        (5e6, 10**9),
        (math.nan, 10**9),
        (math.inf, 10**9),
    ],
)
def test_a_beat_in_words(linked: Any, age_s: float, age_ms: int) -> None:
    link, theirs, _ = linked
    link.beat("stand-in, mains on", 7, age_s)
    assert theirs.recv(1000).decode() == f"beat 1 100000000000 stand-in,_mains_on 7 {age_ms} seal\n"
    link.beat("sink", 8, 0.0)
    assert theirs.recv(1000).startswith(b"beat 2 ")
    assert link.pid == 4711


def test_how_long_an_answer_has_been_owed(linked: Any) -> None:
    link, theirs, clock = linked
    assert link.silent_s() == 0.0
    link.beat("sink", 1, 0.0)
    clock[0] = 101.0
    link.beat("sink", 2, 0.0)
    clock[0] = 103.5
    assert link.silent_s() == 3.5
    theirs.sendall(b"seq 1 ok\nseq x ok\nhello seq 2\nseq 2\n")
    assert link.silent_s() == 2.5
    theirs.sendall(b"seq 2 o")
    assert link.silent_s() == 2.5, "not a whole line yet"
    theirs.sendall(b"k\n")
    assert link.silent_s() == 0.0
    theirs.close()
    assert link.silent_s() == math.inf
    link.beat("sink", 3, 0.0)
    assert link._sequence == 2, "nobody hears it"


def test_a_beat_to_nobody_raises_nothing(linked: Any) -> None:
    link, theirs, _ = linked
    theirs.close()
    link.beat("sink", 1, 0.0)
    assert link.silent_s() == math.inf
    link.bye(False)


def test_one_answer_stands_for_those_before_it(linked: Any) -> None:
    link, theirs, clock = linked
    for number in range(3):
        link.beat("sink", number, 0.0)
    theirs.sendall(b"seq 3 ok\n")
    clock[0] = 110.0
    assert link.silent_s() == 0.0


def test_a_beat_hears_what_was_answered(linked: Any) -> None:
    link, theirs, _ = linked
    for number in range(1, 100):
        link.beat("sink", number, 0.0)
        theirs.sendall(b"seq %d ok\n" % number)
    assert len(link._waiting) == 1, "else a night of beats would be kept"


def test_a_guard_that_died_with_all_beats_read_is_gone_at_once(linked: Any) -> None:
    link, theirs, _ = linked
    link.beat("sink", 1, 0.0)
    assert theirs.recv(1000)
    theirs.close()
    assert link.silent_s() == math.inf


def test_a_guard_that_died_with_unread_beats_is_gone_at_once(linked: Any) -> None:
    """On such a line the other end's death is an error first, and the end of it afterwards."""
    link, theirs, _ = linked
    link.beat("sink", 1, 0.0)
    theirs.close()
    assert link.silent_s() == math.inf


@pytest.mark.parametrize(("ends", "killed"), [(True, False), (False, True)])
def test_good_bye(linked: Any, ends: bool, killed: bool) -> None:
    link, theirs, _ = linked
    link.process.ends = ends
    link.bye(True)
    said = theirs.recv(1000).decode().splitlines()
    assert said == ["beat 1 100000000000 off 0 0 seal", "bye"]
    assert (link.process.killed, link.process.collected) == (killed, killed)
    assert link.process.waited == [2.0]
    assert link.silent_s() == 0.0
    assert link.link.fileno() == -1, "the line is given up"
    link.bye(False)
    link.beat("sink", 1, 0.0)


def test_who_could_not_confirm_off_leaves_the_guard_at_work(linked: Any) -> None:
    link, theirs, _ = linked
    link.process.ends = False
    link.bye(False)
    assert theirs.recv(1000) == b"unsafe\n"
    assert not link.process.killed
    link.bye(True)
    assert link.process.waited == [], "what was said last holds"


def test_a_guard_that_reads_nothing_is_no_guard_gone(linked: Any) -> None:
    link, _, _ = linked
    for number in range(20_000):
        link.beat("sink", number, 0.0)
    assert link.silent_s() == 0.0 or math.isfinite(link.silent_s())


def test_an_instrument_under_another_name(linked: Any) -> None:
    link, _, _ = linked
    link.reached = {"psu": "TCPIP::192.0.2.1::5025::SOCKET"}
    assert link.astray({"psu": "TCPIP::192.0.2.1::5025::SOCKET", "other": "x"}) == ""
    assert "psu is at" in link.astray({"psu": "TCPIP::192.0.2.2::5025::SOCKET"})
