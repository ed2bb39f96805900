"""How the guard listens to its run: what it answers, and why it acts, over a socket in memory."""

from __future__ import annotations

import math
import socket
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from test_guard_parts import a_guard
from test_guard_pulse import SEAL

from harness.guard import Ear, _listen, hear, sealed
from harness.guard_acting import Guard
from harness.guard_pulse import OFF_STATE, PROVING, SWITCHING, Broken


class Heard:
    """A guard, and what its run says to it before it listens."""

    def __init__(self, guard: Guard, ours: socket.socket, theirs: socket.socket, woken: socket.socket) -> None:
        self.guard, self._ours, self._theirs = guard, ours, theirs
        self.ear = Ear(theirs, woken)
        self.guard.pulse.heard_s = time.monotonic()
        self.guard.pulse.ends_s = math.inf
        self.count = 0

    def beat(self, state: str = "sink") -> str:
        self.count += 1
        return f"beat {self.count} {time.monotonic_ns()} {state.replace(' ', '_')} 1 0 {SEAL}"

    def listens(self, *lines: str, hangs_up: bool = False) -> tuple[str, list[str]]:
        """Why it stopped listening, and its answers."""
        self._ours.sendall("".join(f"{line}\n" for line in lines).encode())
        if hangs_up:
            self._ours.shutdown(socket.SHUT_WR)
        why = _listen(self._theirs, self.ear, self.guard)
        return why, self._ours.recv(10_000).decode().splitlines()


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Heard]:
    pairs = socket.socketpair(), socket.socketpair()
    yield Heard(a_guard(tmp_path), *pairs[0], pairs[1][0])
    for one in (*pairs[0], *pairs[1]):
        one.close()


def test_a_run_that_ends_in_good_order(heard: Heard) -> None:
    why, said = heard.listens(heard.beat(), heard.beat(OFF_STATE), "bye")
    assert (why, said) == ("", ["armed", "seq 1 ok", "seq 2 ok", "bye"])


def test_a_run_that_could_not_confirm_off(heard: Heard) -> None:
    assert heard.listens(heard.beat(), "unsafe") == ("the run could not confirm off", ["armed", "seq 1 ok", "unsafe"])


def test_a_run_that_hangs_up(heard: Heard) -> None:
    assert heard.listens(heard.beat(), hangs_up=True) == ("the run is gone", ["armed", "seq 1 ok"])


def test_a_run_that_lies(heard: Heard) -> None:
    why, said = heard.listens(heard.beat(), "beat 1 0 sink 1 0 ab12")
    assert (why, said) == ("beat 1 after beat 1: the run does not go on", ["armed", "seq 1 ok"])


def test_a_run_that_falls_silent(heard: Heard) -> None:
    heard.guard.pulse.silence_s = 0.05
    why, said = heard.listens(heard.beat())
    assert why == "no beat for 0.05 s while sink"
    assert said == ["armed", "seq 1 ok"]


# -- the orders that are heard -----------------------------------------------------------------------------------------

ORDERS: dict[str, Any] = {
    "limits": "ab", "silence_s": 5.0, "rest_s": 60.0, "off_most_s": 20.0, "oldest_s": 3.0, "longest_s": 100.0,
    "order": {"sink": [], "rest": []}, "lines": {}, "outputs": {}, "journal": "guard.log",
}  # fmt: skip


def test_what_the_guard_makes_of_its_orders() -> None:
    pulse = hear(ORDERS, sealed(ORDERS), 1000.0).pulse
    assert (pulse.seal, pulse.silence_s, pulse.rest_s, pulse.off_most_s) == ("ab", 5.0, 60.0, 20.0)
    assert (pulse.oldest_s, pulse.ends_s, pulse.heard_s) == (3.0, 1100.0, 1000.0)
    assert pulse.states == {"sink", "rest", OFF_STATE, SWITCHING, PROVING}
    assert replace(pulse).sequence == -1


def test_orders_that_were_changed_on_the_way() -> None:
    with pytest.raises(Broken, match="do not have the hash"):
        hear(ORDERS | {"silence_s": 50.0}, sealed(ORDERS), 1000.0)
