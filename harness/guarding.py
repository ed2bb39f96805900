"""The run's side of its guard: starting it, and the line on which it is shown that the run goes on."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from harness import guard
from harness.addresses import normal, simulated
from harness.clock import WallClock
from harness.guard_orders import NoGuard, orders_of
from harness.rig import Rig
from harness.tape import SILENT, Tape

SILENCE_LEAST_S, SILENCE_MOST_S = 5.0, 10.0
REST_S = 60.0
"""Longest silence with everything off, s: setting up slow instruments takes its time."""

ANSWERED_S = 2.0
"""What one step of switching off may take beside that, s: a line that opens late, and an answer that does not come."""

OFF_MOST_S = 20.0
OLDEST_S = 3.0
STARTING_S = 5.0
ENDING_S = 2.0
SIMULATED_GIVES_UP_S = 3.0
"""Where nobody listens any more after this long, a simulated bench has ended, and nothing real is on."""


@dataclass(slots=True)
class GuardLink:
    """The line to a guard that is armed. Beats come from the sampling loop and from switching off, from nowhere else;
    ``unreachable`` are instruments it cannot switch off, with the reason."""

    limits: Callable[[], str]
    """Hash of the limits that are in force now."""
    process: subprocess.Popen[bytes]
    link: socket.socket
    wall: Callable[[], float]
    journal: Path
    unreachable: tuple[str, ...] = ()
    reached: dict[str, str] = field(default_factory=dict)
    """Address by name, in its one spelling, of each instrument it can switch off."""
    _sequence: int = 0
    _waiting: list[tuple[int, float]] = field(default_factory=list)
    _held: bytes = b""
    _gone: bool = False
    _ended: bool = False

    @property
    def pid(self) -> int:
        """Of the guard's process."""
        return self.process.pid

    def beat(self, state: str, sample: int, age_s: float) -> None:
        """The run goes on: what it does (a key of the table of orders), its samples so far, and how old the oldest
        reading is that it decides on, s. Never raises and never waits."""
        if self._ended or self._gone:
            return
        self._sequence += 1
        sent_s = self.wall()
        # An age that is not a number is as old as can be.
        age_ms = round(1000 * max(0.0, age_s)) if age_s < 1e6 else 10**9
        words = (self._sequence, int(sent_s * 1e9), state.replace(" ", "_"), sample, age_ms, self.limits())
        self._send("beat " + " ".join(map(str, words)))
        self._waiting.append((self._sequence, sent_s))
        self._hear()

    def silent_s(self) -> float:
        """How long the guard has owed an answer, s of machine time: 0 when it owes none, inf when it is gone."""
        if self._ended:
            return 0.0
        self._hear()
        if self._gone:
            return float("inf")
        return self.wall() - self._waiting[0][1] if self._waiting else 0.0

    def astray(self, addresses: dict[str, str]) -> str:
        """Words for an instrument that is not any more where the guard would switch it off; "" where all are.
        ``addresses`` are those now, by name."""
        for name, key in self.reached.items():
            if (now := normal(addresses[name])) != key:
                return f"{name} is at {now} now, and the guard's orders are for {key}"
        return ""

    def bye(self, off: bool) -> None:
        """The run is over. ``off``: everything was confirmed off; else the guard tries on its own, beside whoever else
        does. Never raises, and waits up to ``ENDING_S``."""
        if self._ended:
            return
        if off:
            self.beat(guard.OFF_STATE, 0, 0.0)
        self._send("bye" if off else "unsafe")
        self._ended = True
        if off:
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(timeout=ENDING_S)
            if self.process.poll() is None:
                self.process.kill()  # off is confirmed, and it hangs
                self.process.wait()
        self.link.close()

    def _send(self, line: str) -> None:
        try:
            self.link.sendall(line.encode() + b"\n")
        except BlockingIOError:
            pass  # it has enough unread to live by, if it lives
        except OSError:
            self._gone = True

    def _hear(self) -> None:
        try:
            while came := self.link.recv(65_536):
                self._held += came
            self._gone = True
        except BlockingIOError:
            pass
        except OSError:
            self._gone = True
        *lines, self._held = self._held.split(b"\n")
        for line in lines:
            words = line.split()
            if len(words) == 3 and words[0] == b"seq" and words[1].isdigit():
                self._waiting = [one for one in self._waiting if one[0] > int(words[1])]


Arm = Callable[[dict[str, Any], Callable[[], str], tuple[str, ...], Callable[[], float]], GuardLink]
"""Starts the guard's process: its orders, the hash of the limits now, who is out of its reach, machine time."""


# -- starting --------------------------------------------------------------------------------------------------------


def why_not() -> str:
    """Why there is no guard on this system; "" where there is one."""
    if sys.platform == "win32":
        return "no guard on Windows: it needs sockets handed to a process, signals and POSIX terminals"
    return ""


def start(
    rig: Rig,
    *,
    limits_hash: Callable[[], str],
    journal: Path,
    longest_s: float,
    period_s: float,
    live_notes: tuple[Path, ...] = (),
    wall: Callable[[], float] | None = None,
    arm: Arm | None = None,
    tape: Tape = SILENT,
) -> GuardLink | None:
    """Arm a guard for this process; ``None`` on a bench in memory. Everything must be off.

    ``limits_hash`` is asked with every beat: limits that are not those of the beginning are a reason to act.
    ``longest_s`` is how long the run may take, ``period_s`` its loop period, both of machine time. ``live_notes``:
    files that say the bench may be live; once they are gone somebody has confirmed off. ``arm`` starts the process and
    hands it its orders. Raises ``NoGuard``.
    """
    if all(simulated(entry.address) is not None for entry in rig.bench_file.instruments):
        return None
    if not tape.replaying and (why := why_not()):
        raise NoGuard(f"{why}; nothing was switched on")
    orders, unreachable = orders_of(rig, tape=tape)
    orders |= {
        "silence_s": silence_s(rig, period_s),
        "rest_s": REST_S,
        "off_most_s": OFF_MOST_S,
        "oldest_s": max(OLDEST_S, 3.0 * period_s),
        "longest_s": longest_s,
        "journal": str(Path(journal).resolve()),
        "live_notes": [str(note) for note in live_notes],
        "gives_up_s": SIMULATED_GIVES_UP_S if rig.simulated else None,
        "limits": limits_hash(),
        "pid": os.getpid(),
        "pid_started": guard.started(os.getpid()),
    }
    return (arm or _armed)(orders, limits_hash, unreachable, wall or WallClock().wall)


def silence_s(rig: Rig, period_s: float) -> float:
    """How long the guard bears silence while something may be on, s: three periods (of ``period_s`` of machine time)
    or 5 s, and longer where an instrument is deaf for so long after each opening that switching off waits for it."""
    deaf_s = max((driver.session.wire.boot_s for driver in rig.drivers.values()), default=0.0)
    return min(SILENCE_MOST_S, max(SILENCE_LEAST_S, 3.0 * period_s, deaf_s + ANSWERED_S))


def _armed(
    orders: dict[str, Any], limits: Callable[[], str], unreachable: tuple[str, ...], wall: Callable[[], float]
) -> GuardLink:
    ours, theirs = socket.socketpair()
    try:
        process = _started(theirs)
    except OSError as error:
        ours.close()
        raise NoGuard(f"guard: cannot be started ({error}); nothing was switched on") from error
    finally:
        theirs.close()
    # Numbers as they come back from JSON: both sides must count the same hash.
    orders = msgspec.json.decode(msgspec.json.encode(orders))
    seal = guard.sealed(orders)
    reached = {name: str(one["line"]) for name, one in orders["outputs"].items()}
    link = GuardLink(limits, process, ours, wall, Path(orders["journal"]), unreachable, reached)
    try:
        ours.settimeout(STARTING_S)
        ours.sendall(msgspec.json.encode({"orders": orders, "seal": seal}) + b"\n")
        said = ours.makefile("rb", buffering=0).readline()
    except OSError as error:
        said = str(error).encode()
    if said != b"armed\n":
        process.kill()
        process.wait()
        ours.close()
        raise NoGuard(f"guard: did not arm ({said.decode('ascii', 'replace').strip() or 'no answer'}); try again")
    ours.setblocking(False)
    return link


def armed(
    orders: dict[str, Any], limits: Callable[[], str], unreachable: tuple[str, ...], wall: Callable[[], float]
) -> GuardLink:
    """Start the process and give it ``orders``. Raises ``NoGuard``."""
    return _armed(orders, limits, unreachable, wall)


def _started(theirs: socket.socket) -> subprocess.Popen[bytes]:
    """The process: isolated, in a session of its own, holding nothing of ours but its end of the line."""
    return subprocess.Popen(
        [sys.executable, "-I", "-S", guard.__file__, str(theirs.fileno())],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        pass_fds=(theirs.fileno(),),
        start_new_session=True,
        cwd="/",
    )
