"""The guard: a process of its own that switches the bench off when the run that is on it dies, hangs or lies.

One file, standard library only, and nothing of this project is imported: a fault in the program must not be in both.
It never energises, never clears a protection, and says nothing to any instrument until it acts: an instrument's own
watchdog would take its questions for a sign of life of the run.

Spoken over one socket, a line each way. The run sends the orders sealed with their hash, then a beat for each sample,
after its interlocks have judged fresh readings: ``beat SEQUENCE STATE SAMPLE AGE_MS HASH``; every beat is answered
``seq SEQUENCE ok``. ``bye`` ends it, and counts only after a beat whose state is ``off``. Everything else is a reason to
act: the end of the file, silence, a sequence that does not go on, readings too old, another hash, a run past its end.

Acting: first the run is killed, so that it cannot wake and switch on again (a fence), then each instrument is told
the literal bytes that the run's own drivers were seen to send, in the order that belongs to the state; then it is asked.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import re
import select
import signal
import socket
import sys
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

CONNECT_S = 0.5
REPLY_S = 0.4
DEATH_S = 0.5
"""Longest wait for the killed run to be gone, s."""

REPEAT_S = 0.5
UNSAFE_S = 10.0
RETRY_S = 10.0
CONTACTOR_S = 2.0

_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


# -- what is said ------------------------------------------------------------------------------------------------------


class Broken(ValueError):
    """What the run said cannot be; one line."""


def sealed(orders: dict[str, Any]) -> str:
    """Hash of the orders, as both sides count it."""
    return hashlib.sha256(json.dumps(orders, sort_keys=True).encode()).hexdigest()


@dataclass(slots=True)
class Pulse:
    """What beats must be like. ``judge`` takes one line; times in s of the machine's monotonic clock."""

    seal: str
    silence_s: float
    oldest_s: float
    ends_s: float
    sequence: int = -1
    state: str = "rest"
    heard_s: float = 0.0
    over: bool = False

    def judge(self, line: str, now_s: float) -> str:
        """The answer to a line. Raises ``Broken`` when it is a reason to act."""
        if line == "bye":
            if self.state != "off":
                raise Broken(f"the run said good-bye while {self.state}")
            self.over = True
            return "bye"
        words = line.split(" ")
        if len(words) != 6 or words[0] != "beat":
            raise Broken(f"not a beat: {line[:60]!r}")
        sequence, age_ms = _whole(words[1]), _whole(words[4])
        if sequence <= self.sequence:
            raise Broken(f"beat {sequence} after beat {self.sequence}: the run does not go on")
        if not age_ms <= 1000 * self.oldest_s:
            raise Broken(f"the run decides on readings {age_ms / 1000:.1f} s old, limit {self.oldest_s:g} s")
        if words[5] != self.seal:
            raise Broken("the run's limits are not those that were sealed")
        self.sequence, self.state, self.heard_s = sequence, words[2], now_s
        return f"seq {sequence} ok"

    def late(self, now_s: float) -> str | None:
        """Words when nothing came for too long, or the run goes on past its end."""
        if not now_s - self.heard_s <= self.silence_s:
            return f"no beat for {now_s - self.heard_s:.1f} s, limit {self.silence_s:g} s"
        if not now_s <= self.ends_s:
            return "the run goes on past the latest end it gave"
        return None

    def wait_s(self, now_s: float) -> float:
        """How long until ``late`` may have something to say."""
        return max(0.0, min(self.heard_s + self.silence_s, self.ends_s) - now_s)


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 20):
        raise Broken(f"not a whole number: {text[:40]!r}")
    return int(text)


# -- lines to instruments ----------------------------------------------------------------------------------------------


class Line:
    """A fresh line to one instrument: TCP, or a serial device."""

    def __init__(self, way: dict[str, Any]) -> None:
        self.way = way
        self._socket: socket.socket | None = None
        self._fd = -1

    def open(self) -> None:
        """Raises ``OSError``."""
        if self.way["kind"] == "tcp":
            self._socket = socket.create_connection((self.way["host"], self.way["port"]), timeout=CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._fd = self._socket.fileno()
            return
        self._fd = os.open(self.way["device"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        _set_up(self._fd, self.way)

    def send(self, data: bytes) -> None:
        """Raises ``OSError`` when it cannot be sent within a reply's time."""
        deadline = time.monotonic() + REPLY_S
        while data:
            if not select.select((), (self._fd,), (), max(0.0, deadline - time.monotonic()))[1]:
                raise TimeoutError("cannot be written to")
            data = data[os.write(self._fd, data) :]

    def ask(self, data: bytes, terminator: bytes) -> bytes:
        """The last whole line that came within a reply's time; b"" for none. Echoes and banners come before it."""
        self.send(data)
        deadline, held = time.monotonic() + REPLY_S, b""
        while (left := deadline - time.monotonic()) > 0:
            if not select.select((self._fd,), (), (), left)[0]:
                break
            came = os.read(self._fd, 4096)
            if not came:
                raise ConnectionError("hung up")
            held += came
            if terminator and terminator in held and not select.select((self._fd,), (), (), 0.02)[0]:
                break
        lines = [line.strip(b"\0\r\n \t") for line in re.split(rb"[\r\n]", held)]
        return next((line for line in reversed(lines) if line and line != data.strip()), b"")

    def close(self) -> None:
        with suppress(OSError):
            self._socket.close() if self._socket is not None else os.close(self._fd)
        self._socket, self._fd = None, -1


def _set_up(fd: int, way: dict[str, Any]) -> None:
    with suppress(termios.error):  # a pseudo-terminal has no parity to set
        tty.setraw(fd)
        found = termios.tcgetattr(fd)
        speed = getattr(termios, f"B{way.get('baud', 9600)}", termios.B9600)
        found[4] = found[5] = speed
        found[2] &= ~(termios.CSIZE | termios.PARENB | termios.PARODD | termios.CSTOPB | termios.HUPCL)
        found[2] |= {5: termios.CS5, 6: termios.CS6, 7: termios.CS7}.get(way.get("data_bits", 8), termios.CS8)
        found[2] |= {"even": termios.PARENB, "odd": termios.PARENB | termios.PARODD}.get(way.get("parity", "none"), 0)
        found[2] |= termios.CSTOPB if way.get("stop_bits") == 2 else 0
        termios.tcsetattr(fd, termios.TCSANOW, found)
        termios.tcflush(fd, termios.TCIFLUSH)


# -- switching off -----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Output:
    """One instrument to be switched off: how it is reached, what is sent, what is asked and what means off."""

    name: str
    way: dict[str, Any]
    begin: list[bytes]
    off: list[bytes]
    ask: bytes
    off_replies: list[str]
    amps: bytes
    zero_amps: float
    comma: bool
    terminator: bytes
    pause_s: float
    line: Line | None = None
    is_off: bool | None = None
    last: str = "no answer"

    @classmethod
    def read(cls, name: str, told: dict[str, Any]) -> Output:
        """From the orders; bytes stand there in hexadecimal."""
        return cls(
            name=name,
            way=told["way"],
            begin=[bytes.fromhex(one) for one in told["begin"]],
            off=[bytes.fromhex(one) for one in told["off"]],
            ask=bytes.fromhex(told["ask"]),
            off_replies=[str(one) for one in told["off_replies"]],
            amps=bytes.fromhex(told["amps"]),
            zero_amps=float(told["zero_amps"]),
            comma=bool(told["comma"]),
            terminator=bytes.fromhex(told["terminator"]),
            pause_s=float(told["pause_s"]),
        )

    def switch_off(self) -> None:
        """Send it; a line that fails is opened anew once. Never raises."""
        for fresh in (False, True):
            try:
                if self.line is None or fresh:
                    self._renew()
                assert self.line is not None
                for message in self.off:
                    self._pause()
                    self.line.send(message)
                return
            except OSError as error:
                self.last = f"{type(error).__name__}: {error}"
                self.line = None

    def look(self) -> None:
        """Ask whether it is off, and for its current twice. Never raises."""
        self.is_off = None
        try:
            if self.line is None:
                self._renew()
            reply = self._ask(self.ask).decode("ascii", "replace").strip('"').upper()
            said = any(part.strip() in self.off_replies for part in reply.split(";"))
            amps = [self._amps() for _ in range(2)] if self.amps else [0.0, 0.0]
            # Written so that a current that cannot be read is not zero.
            quiet = all(abs(one) <= self.zero_amps for one in amps)
            self.is_off = said and quiet
            self.last = f"says {reply or 'nothing'}, {' and '.join(f'{one:.3f} A' for one in amps)}"
        except OSError as error:
            self.last, self.line = f"{type(error).__name__}: {error}", None

    def _amps(self) -> float:
        reply = self._ask(self.amps)
        found = _NUMBER.findall(reply.replace(b",", b".") if self.comma else reply)
        time.sleep(0.2)  # two fresh readings
        return float(found[-1]) if len(found) == 1 else float("nan")

    def _ask(self, message: bytes) -> bytes:
        assert self.line is not None
        self._pause()
        return self.line.ask(message, self.terminator)

    def _renew(self) -> None:
        if self.line is not None:
            self.line.close()
        self.line = Line(self.way)
        self.line.open()
        for message in self.begin:
            self._pause()
            self.line.send(message)

    def _pause(self) -> None:
        if self.pause_s:
            time.sleep(self.pause_s)


@dataclass(slots=True)
class Guard:
    """The orders, what was heard of the run, and what is done about it."""

    orders: dict[str, Any]
    pulse: Pulse
    outputs: dict[str, Output] = field(default_factory=dict)
    acted_s: float = 0.0

    def note(self, what: str, **more: Any) -> None:
        """One line in the guard's own journal, on the disk before anything else is done. Never raises."""
        row = {"utc_s": round(time.time(), 3), "what": what, **more}
        with suppress(OSError), open(self.orders["journal"], "a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
            file.flush()
            os.fsync(file.fileno())

    def act(self, why: str) -> None:
        """Fence, off, confirm; goes on until off is confirmed or somebody vouches for it. Never raises."""
        began = self.acted_s = time.monotonic()
        dead = self._fence()
        shared = [name for name, one in self.outputs.items() if dead or one.way.get("shared")]
        order = [name for name in self.orders["order"].get(self.pulse.state, self.orders["order"]["unknown"])]
        self._send([name for name in order if name in shared])
        self.note("acting", why=why, state=self.pulse.state, killed=dead, sent_after_s=round(time.monotonic() - began, 4))
        told = False
        while not self._all_off(order):
            took = time.monotonic() - began
            if took >= UNSAFE_S and not told:
                told = True
                self.note("not confirmed", outputs={name: one.last for name, one in self.outputs.items()})
                self._shout()
            if self._vouched():
                self.note("vouched for", outputs={name: one.last for name, one in self.outputs.items()})
                return
            time.sleep(RETRY_S if told else REPEAT_S)
            self._send(order)
        took_s = round(time.monotonic() - began, 3)
        self.note("off confirmed", took_s=took_s, outputs={name: one.last for name, one in self.outputs.items()})

    def _send(self, order: list[str]) -> None:
        for name in order:
            if name in self.outputs:
                self.outputs[name].switch_off()

    def _all_off(self, order: list[str]) -> bool:
        for one in self.outputs.values():
            one.look()
        return all(one.is_off is True for one in self.outputs.values())

    def _fence(self) -> bool:
        """Kill the run; whether it is gone. Another process that got its number since is left alone."""
        pid = int(self.orders["pid"])
        if started(pid) != self.orders["pid_started"]:
            return True
        with suppress(OSError):
            os.kill(pid, signal.SIGKILL)
        deadline = time.monotonic() + DEATH_S
        while time.monotonic() < deadline:
            if started(pid) != self.orders["pid_started"]:
                return True
            time.sleep(0.002)
        return False

    def _vouched(self) -> bool:
        return os.path.exists(self.orders["vouched"])

    def _shout(self) -> None:
        lines = [f"{name}: {one.last}" for name, one in self.outputs.items() if one.is_off is not True]
        with suppress(OSError):
            sys.stderr.write(self.orders["alarm"] + "\n" + "\n".join(lines) + "\n")
            sys.stderr.flush()


def started(pid: int) -> str:
    """When a process began, as the system counts it; "" when it is gone, or dead and not yet collected."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            words = file.read().rpartition(")")[2].split()
    except OSError:
        return "" if not _alive(pid) else "unknown"
    return "" if words[0] in "ZX" else words[19]


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


# -- the process -------------------------------------------------------------------------------------------------------


class Stopped(Exception):
    """The system asked the guard to end."""


def _quiet() -> None:
    """Signals that are meant for the run are not for its guard; TERM is, and switches off first."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)

    def term(_number: int, _frame: object) -> None:
        raise Stopped

    signal.signal(signal.SIGTERM, term)
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mlockall(3)  # what is swapped out answers late; not allowed everywhere


def lines(link: socket.socket, wait_s: Any) -> Iterator[str | None]:
    """Whole lines as they come; ``None`` when ``wait_s()`` has passed without one. Ends with the file."""
    held = b""
    while True:
        if b"\n" in held:
            line, _, held = held.partition(b"\n")
            yield line.decode("ascii", "replace")
            continue
        if not select.select((link,), (), (), wait_s())[0]:
            yield None
            continue
        try:
            came = link.recv(65536)
        except OSError:
            came = b""
        if not came or len(held) > 1_000_000:
            return
        held += came


def _orders(line: str) -> Guard:
    told = json.loads(line)
    orders, seal = told["orders"], told["seal"]
    if sealed(orders) != seal:
        raise Broken("the orders do not have the hash they came with")
    now = time.monotonic()
    pulse = Pulse(orders["limits"], orders["silence_s"], orders["oldest_s"], now + orders["longest_s"], heard_s=now)
    outputs = {name: Output.read(name, one) for name, one in orders["outputs"].items()}
    return Guard(orders, pulse, outputs)


def serve(link: socket.socket) -> int:
    """Guard one run; 0 when it ended in good order, 1 when the guard had to act."""
    guard: Guard | None = None
    coming = lines(link, lambda: 10.0 if guard is None else guard.pulse.wait_s(time.monotonic()))
    why = "the run is gone: its end of the line was closed"
    try:
        for line in coming:
            if guard is None:
                if line is None:
                    return 2
                guard = _orders(line)
                guard.note("armed", pid=guard.orders["pid"])
                link.sendall(b"armed\n")
                continue
            if line is None:
                if (late := guard.pulse.late(time.monotonic())) is not None:
                    why = late
                    break
                continue
            answer = guard.pulse.judge(line, time.monotonic())
            link.sendall(answer.encode() + b"\n")
            if guard.pulse.over:
                guard.note("ended", sequence=guard.pulse.sequence)
                return 0
    except Stopped:
        why = "the guard was asked to end"
    except Broken as broken:
        why = str(broken)
    except OSError as error:
        why = f"the line to the run broke: {error}"
    if guard is None:
        return 2
    guard.act(why)
    return 1


if __name__ == "__main__":
    _quiet()
    sys.exit(serve(socket.socket(fileno=int(sys.argv[1]))))
