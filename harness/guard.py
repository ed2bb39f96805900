"""The guard: a process of its own that switches the bench off when the run that is on it dies, hangs or lies.

Standard library only, and nothing of this project is imported but the guard's own lines: a fault in the program must
not be in both. It never energises, never clears a protection, and says nothing to any instrument until it acts: an
instrument's own watchdog would take its questions for a sign of life of the run.

Spoken over one socket, a line each way. The run sends the orders with their hash, then a beat for each sample, after
its interlocks have judged fresh readings: ``beat SEQUENCE MONOTONIC_NS STATE SAMPLE AGE_MS HASH``; each is answered
``seq SEQUENCE ok``. ``bye`` ends it, and counts only after a beat whose state is ``off``. ``unsafe``: the run could not
confirm off and goes on trying; the guard then tries beside it, on lines of its own. Everything else is a reason to act:
the end of the file, silence, a sequence that does not go on, readings too old, another hash, a run past its end.

Acting: first the run is killed, so that it cannot wake and switch on again (a fence), then each instrument is told
the literal bytes that the run's own drivers were seen to send, in the order that belongs to the state; then each is
asked.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import math
import os
import select
import signal
import socket
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

if not __package__:  # run as a file, in isolation
    sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness.guard_lines import Line, Output, clock, turns

DEATH_S = 0.5
"""Longest wait for the killed run to be gone, s."""

APART_S = 0.3
"""The next in the order is told at most this long after the one before it, s, whether that one could be reached."""

CONTACTOR_S = 2.0
"""A contactor opens once no current flows, and after this whatever flows, s: whatever that costs its contacts."""

REPEAT_S = 0.5
SOFTEN_S = 1.5
UNSAFE_S = 10.0
RETRY_S = 10.0
ARMING_S = 10.0
OFF_STATE, SWITCHING, REST = "off", "switching off", "rest"


# -- what is said ------------------------------------------------------------------------------------------------------


class Broken(ValueError):
    """What the run said cannot be; one line."""


def sealed(orders: dict[str, Any]) -> str:
    """Hash of the orders, as both sides count it."""
    return hashlib.sha256(json.dumps(orders, sort_keys=True).encode()).hexdigest()


@dataclass(slots=True)
class Pulse:
    """What beats must be like. ``judge`` takes one line; times in s of the machine's monotonic clock.

    ``silence_s`` holds while something may be on, ``rest_s`` with everything off. Switching off beats too, but as a
    whole it may last ``off_most_s``.
    """

    seal: str
    silence_s: float
    rest_s: float
    off_most_s: float
    oldest_s: float
    ends_s: float
    states: frozenset[str]
    sequence: int = -1
    state: str = REST
    doing: str = REST
    """What was going on before switching off began."""
    heard_s: float = 0.0
    off_since_s: float = math.inf
    over: bool = False
    unsafe: bool = False

    def judge(self, line: str, now_s: float) -> str:
        """The answer to a line. Raises ``Broken`` when it is a reason to act."""
        if line == "bye":
            if self.state != OFF_STATE:
                raise Broken(f"the run said good-bye while {self.state}")
            self.over = True
            return "bye"
        if line == "unsafe":
            self.unsafe = True
            return "unsafe"
        words = line.split(" ")
        if len(words) != 7 or words[0] != "beat":
            raise Broken(f"not a beat: {line[:60]!r}")
        sequence, sent_s, age_s = _whole(words[1]), _whole(words[2]) / 1e9, _whole(words[5]) / 1000
        state = words[3].replace("_", " ")
        if not sequence > self.sequence:
            raise Broken(f"beat {sequence} after beat {self.sequence}: the run does not go on")
        if not self.heard_s <= sent_s <= now_s:
            raise Broken(f"beat {sequence} is from {sent_s - now_s:+.1f} s: the run's clock does not go on")
        if state not in self.states:
            raise Broken(f"a state that is not in the orders: {state[:40]!r}")
        if not age_s <= self.oldest_s:
            raise Broken(f"the run decides on readings {age_s:.1f} s old, limit {self.oldest_s:g} s")
        if words[6] != self.seal:
            raise Broken("the run's limits are not those that were sealed")
        if state != SWITCHING:
            self.off_since_s, self.doing = math.inf, state
        elif self.off_since_s == math.inf:
            self.off_since_s = sent_s
        # When it was sent counts, and not when it was read: what waited in the line is no sign of life.
        self.sequence, self.state, self.heard_s = sequence, state, sent_s
        return f"seq {sequence} ok"

    def _dues(self) -> tuple[tuple[float, str], ...]:
        silence_s = self.rest_s if self.state in (REST, OFF_STATE) else self.silence_s
        return (
            (self.heard_s + silence_s, f"no beat for {silence_s:g} s while {self.state}"),
            (self.ends_s, "the run goes on past the latest end it gave"),
            (self.off_since_s + self.off_most_s, f"switching off goes on for more than {self.off_most_s:g} s"),
        )

    def late(self, now_s: float) -> str | None:
        """Words when nothing came for too long, or the run goes on past its end."""
        return next((words for due_s, words in self._dues() if not now_s <= due_s), None)

    def wait_s(self, now_s: float) -> float:
        """How long until ``late`` may have something to say."""
        return max(0.0, min(due_s for due_s, _ in self._dues()) - now_s)


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 20):
        raise Broken(f"not a whole number: {text[:40]!r}")
    return int(text)


# -- switching off ---------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Guard:
    """The orders, what was heard of the run, and what is done about it."""

    orders: dict[str, Any]
    pulse: Pulse
    outputs: dict[str, Output]
    pidfd: int = -1
    began_s: float = 0.0
    dead: threading.Event = field(default_factory=threading.Event)

    def note(self, what: str, **more: Any) -> None:
        """One line in the guard's own journal. Never raises."""
        row = {"utc": clock(), "monotonic_s": round(time.monotonic(), 4), "what": what, **more}
        with suppress(OSError), open(self.orders["journal"], "a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
            file.flush()
            os.fsync(file.fileno())

    def act(self, why: str, *, fence: bool = True) -> None:
        """Fence, off, confirm; goes on until off is confirmed or somebody has seen to it. Never raises."""
        self.began_s = time.monotonic()
        state = self.pulse.doing
        if not fence or self._fence():
            self.dead.set()
        order = turns(self.orders["order"].get(state, self.orders["order"]["unknown"]), self.orders["kinds"])
        gates = [threading.Event() for _ in range(len(order) + 1)]
        gates[0].set()
        for place, (name, hold_s, last) in enumerate(order):
            given = (self.outputs[name], hold_s, last, place, gates)
            try:
                threading.Thread(target=self._see_off, args=given, daemon=True).start()
            except RuntimeError:  # no room for a thread: this one after the other, once
                self.outputs[name].switch_off()
                self.outputs[name].look()
        # Written while the threads send: off is never kept waiting by a disk.
        self.note("acting", why=why, state=state, killed=self.dead.is_set() and fence, order=[one[0] for one in order])
        word = self._until_off(fence)
        took_s = round(time.monotonic() - self.began_s, 4)
        outputs = {name: {"sent_s": _finite(one.sent_s), "said": one.last} for name, one in self.outputs.items()}
        self.note(word, took_s=took_s, outputs=outputs, how="by the instruments' own word")

    def _until_off(self, fence: bool) -> str:
        told = False
        while not all(one.off.is_set() for one in self.outputs.values()):
            time.sleep(0.01)
            took_s = time.monotonic() - self.began_s
            if fence and not self.dead.is_set() and self._is_dead():
                self.dead.set()
            if took_s >= UNSAFE_S and not told:
                told = True
                text = self.alarm()
                self.note("not confirmed", text=text)
                with suppress(OSError):
                    sys.stderr.write(text + "\n")
                    sys.stderr.flush()
            if told and self._seen_to():
                return "somebody has confirmed off"
            if (most := self.orders["gives_up_s"]) is not None and not took_s <= most and self._nobody_there():
                return "gave up: a simulated bench that is gone"
        return "off confirmed"

    def _see_off(self, one: Output, hold_s: float, last: bool, place: int, gates: list[threading.Event]) -> None:
        """One instrument, in its turn, until it is seen off."""
        with suppress(Exception), one.line.lock:
            if one.line.way["shared"] or self.dead.is_set():
                one.line.open()  # it may take long, and is begun before its turn has come
                one.each(one.told["begin"])
        gates[place].wait(APART_S * place)
        self._wait_turn(one, hold_s, last)
        softened = False
        while not one.off.is_set():
            if one.line.way["shared"] or self.dead.is_set():
                began = time.monotonic()
                sent = one.switch_off()
                if sent and one.sent_s != one.sent_s:
                    one.sent_s = round(time.monotonic() - self.began_s, 4)
                gates[place + 1].set()
                one.look()
                if not one.off.is_set() and time.monotonic() - self.began_s >= SOFTEN_S and not softened:
                    softened = True
                    one.soften()
            else:
                began = time.monotonic()
                one.last = "held by the run, which cannot be killed"
                gates[place + 1].set()
            if one.off.is_set():
                break
            long = time.monotonic() - self.began_s >= UNSAFE_S
            if long:
                one.line.close()  # whoever else tries to switch it off may need its only session
            time.sleep(max(0.0, began + (RETRY_S if long else REPEAT_S) - time.monotonic()))
        one.line.close()

    def _wait_turn(self, one: Output, hold_s: float, last: bool) -> None:
        if not last:
            time.sleep(hold_s)
            return
        others = [other for other in self.outputs.values() if self.orders["kinds"][other.name] in ("supply", "load")]
        while time.monotonic() - self.began_s < CONTACTOR_S and self.dead.is_set():
            if all(other.off.is_set() for other in others):
                return
            time.sleep(0.01)

    def _fence(self) -> bool:
        """Kill the run; whether it is gone. Another process that got its number since is left alone."""
        if self._is_dead():
            return True
        with suppress(OSError):
            if self.pidfd >= 0:
                signal.pidfd_send_signal(self.pidfd, signal.SIGKILL)
            else:
                os.kill(int(self.orders["pid"]), signal.SIGKILL)
        until = time.monotonic() + DEATH_S
        while time.monotonic() < until:
            if self._is_dead():
                return True
            time.sleep(0.001)
        return False

    def _is_dead(self) -> bool:
        if self.pidfd >= 0:
            return bool(select.select((self.pidfd,), (), (), 0)[0])
        return bool(started(int(self.orders["pid"])) != self.orders["pid_started"])

    def _seen_to(self) -> bool:
        """Whether the notes that this bench may be live are gone: somebody has confirmed that it is off."""
        notes = self.orders["live_notes"]
        return bool(notes) and not any(os.path.exists(note) for note in notes)

    def _nobody_there(self) -> bool:
        """Whether nothing listens any more where the outputs in doubt were."""
        doubtful = [one for one in self.outputs.values() if not one.off.is_set()]
        return bool(doubtful) and all(one.nobody_there for one in doubtful)

    def alarm(self) -> str:
        """What a person must know and do; what is unknown is called unknown, never 0."""
        head, *todo = self.orders["alarm"]
        lines = [head]
        for name, one in self.outputs.items():
            if not one.off.is_set():
                amps = f"{one.amps:.3f} A at {one.amps_utc}" if one.amps == one.amps else "no answer"
                what = f'{self.orders["kinds"][name]} "{name}" (serial {self.orders["serials"].get(name) or "unknown"})'
                lines.append(f"{what}: asked off {one.tries} times; last current: {amps}; {one.last}.")
        return "\n".join([*lines, *todo, f"The guard goes on trying every {RETRY_S:.0f} s."])


def started(pid: int) -> str:
    """When a process began, as the system counts it; "" when it is gone, or dead and not yet collected."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            words = file.read().rpartition(")")[2].split()
    except OSError:
        return "unknown" if _alive(pid) else ""
    return "" if words[0] in "ZX" else words[19]


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


# -- the process -------------------------------------------------------------------------------------------------------


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
        states=frozenset((*orders["order"], OFF_STATE, SWITCHING)),
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
    guard.note("armed", pid=pid, seal=told["seal"], silence_s=guard.pulse.silence_s, outputs=list(guard.outputs))
    why = _listen(link, ear, guard)
    if guard.pulse.over:
        guard.note("ended", sequence=guard.pulse.sequence)
        return 0
    guard.act(why, fence=not guard.pulse.unsafe)
    return 1


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
            while (line := ear.next(pulse.wait_s(time.monotonic()))) == "":
                if (late := pulse.late(time.monotonic())) is not None:
                    return late
            if line is None:
                return "the run is gone"
            answer = pulse.judge(line, time.monotonic())
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
