"""The guard: a process of its own that switches the bench off when the run that is on it dies, hangs or lies.

Standard library only, and nothing of this project is imported but the guard's own lines: a fault in the program must
not be in both. It never energises, never clears a protection, and says nothing to any instrument until it acts: an
instrument's own watchdog would take its questions for a sign of life of the run.

The parts: what it takes for a sign of life (``guard_pulse.py``), what it does when it acts (``guard_acting.py``), on
whom (``guard_outputs.py``), over what (``guard_lines.py``), and what answers mean (``guard_answers.py``). Here: the
orders that are heard, the line to the run, and the process.

The run sends the orders with their hash over one socket, a line, and is answered ``armed``; then a beat for each
sample, after its interlocks have judged fresh readings.
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import signal
import socket
import sys
import threading
import time
from contextlib import suppress
from typing import Any

if not __package__:  # run as a file, in isolation
    sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness.guard_acting import Guard
from harness.guard_lines import Line
from harness.guard_outputs import Output
from harness.guard_process import started
from harness.guard_pulse import OFF_STATE, PROVING, REST, SWITCHING, Broken, Pulse, sealed

__all__ = ["OFF_STATE", "REST", "SWITCHING", "Broken", "Guard", "Pulse", "hear", "sealed", "serve", "started"]

ARMING_S = 10.0
JOURNAL_S = 5.0
"""Longest wait for a disk that has not taken the last words, s."""


def hear(orders: dict[str, Any], seal: str, now_s: float) -> Guard:
    """Take the orders. Raises ``Broken`` when they are not those that were sealed, and ``KeyError`` and the like."""
    if sealed(orders) != seal:
        raise Broken("the orders do not have the hash they came with")
    pulse = Pulse(
        seal=orders["limits"],
        silence_s=orders["silence_s"],
        rest_s=orders["rest_s"],
        off_most_s=orders["off_most_s"],
        oldest_s=orders["oldest_s"],
        ends_s=now_s + orders["longest_s"],
        states=frozenset((*orders["order"], OFF_STATE, SWITCHING, PROVING)),
        heard_s=now_s,
    )
    lines = {key: Line(way) for key, way in orders["lines"].items()}
    outputs = {name: Output(name, lines[one["line"]], one) for name, one in orders["outputs"].items()}
    return Guard(orders, pulse, outputs)


class Ear:
    """The line to the run, what its process does, and whether the guard itself was told to end."""

    def __init__(self, link: socket.socket, woken: socket.socket) -> None:
        self._link, self._woken = link, woken
        self._held = b""
        self.watched = -1

    def next(self, wait_s: float) -> str | None:
        """The next whole line; "" when there is none for so long. ``None``: the line has ended, or the run has.

        Raises ``Broken`` when the guard itself is to end.
        """
        until = time.monotonic() + wait_s
        while b"\n" not in self._held:
            watched = [self._link, self._woken, *([self.watched] if self.watched >= 0 else ())]
            ready = select.select(watched, (), (), max(0.0, until - time.monotonic()))[0]
            if self._link in ready:
                came = self._received()
                if not came or len(self._held) > 1_000_000:
                    return None
                self._held += came
            elif self._woken in ready:
                raise Broken("the guard was asked to end")
            elif ready:  # the run's process is gone, and nothing it had said is left
                return None
            else:
                return ""
        line, _, self._held = self._held.partition(b"\n")
        return line.decode("ascii", "replace")

    def _received(self) -> bytes:
        try:
            return self._link.recv(65_536)
        except OSError:
            return b""


def serve(link: socket.socket, woken: socket.socket) -> int:
    """Guard one run; 0 when it ended in good order, 1 when the guard had to act, 2 when it was never armed."""
    ear = Ear(link, woken)
    line = ear.next(ARMING_S)
    if not line:
        return 2
    told = json.loads(line)
    guard = hear(told["orders"], told["seal"], time.monotonic())
    pid = guard.orders["pid"]
    with suppress(OSError, AttributeError):
        guard.pidfd = ear.watched = os.pidfd_open(pid)
    if started(pid) != guard.orders["pid_started"]:
        return 2  # it ended meanwhile, and never had a guard to energise with
    guard.journal.note(
        "armed", pid=pid, seal=told["seal"], silence_s=guard.pulse.silence_s, outputs=list(guard.outputs)
    )
    why = _listen(link, ear, guard)
    if guard.pulse.over:
        guard.journal.note("ended", sequence=guard.pulse.sequence)
    else:
        guard.act(why, fence=not guard.pulse.unsafe)
    guard.journal.close(JOURNAL_S)
    return 0 if guard.pulse.over else 1


def _listen(link: socket.socket, ear: Ear, guard: Guard) -> str:
    """Until there is a reason to act, which it returns; or until good-bye."""
    pulse, answer = guard.pulse, "armed"
    try:
        while True:
            with suppress(BrokenPipeError, ConnectionResetError):  # what it said last may still be read
                link.sendall(answer.encode() + b"\n")
            if pulse.over:
                return ""
            if pulse.unsafe:
                return "the run could not confirm off"
            while (line := ear.next(min(pulse.wait_s(time.monotonic()), guard.wait_s))) == "":
                guard.beside()
                if (late := pulse.late(time.monotonic())) is not None:
                    return late
            if line is None:
                return "the run is gone"
            answer = pulse.judge(line, time.monotonic())
            guard.beside()
    except Broken as broken:
        return str(broken)
    except OSError as error:
        return f"the line to the run broke: {error}"


def main(number: int) -> int:
    """As a process: ``number`` is the descriptor of the line to the run."""
    for ignored in ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGUSR2", "SIGPIPE"):
        if hasattr(signal, ignored):
            signal.signal(getattr(signal, ignored), signal.SIG_IGN)
    woken, waker = socket.socketpair()
    for one in (woken, waker):
        one.setblocking(False)
    # A handler that raised would come out in the middle of switching off.
    signal.signal(signal.SIGTERM, lambda _number, _frame: None)
    signal.set_wakeup_fd(waker.fileno(), warn_on_full_buffer=False)
    with suppress(OSError, AttributeError):
        # What is swapped out answers late; not allowed everywhere. Not what comes later: threads must find room.
        ctypes.CDLL(None).mlockall(1)
    threading.stack_size(512 * 1024)
    return serve(socket.socket(fileno=number), woken)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
