"""What the guard does when it acts: the run is killed, everything is switched off, until all are seen off or somebody
has seen to it. A run that lives but does not get the bench off is helped beside it and not killed. Standard library
only. It never energises and never clears a protection.
"""

from __future__ import annotations

import math
import os
import select
import signal
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from harness.guard_journal import Journal, aloud
from harness.guard_outputs import Output
from harness.guard_process import started
from harness.guard_pulse import Pulse
from harness.guard_round import RETRY_S, UNSAFE_S, Round

DEATH_S = 0.5
"""Longest wait for the killed run to be gone, s."""

LOOK_S = 0.01
HOW = "by the instruments' own word"
UNKILLABLE, ALIVE = "held by the run, which cannot be killed", "its only line is the run's, which lives"


@dataclass
class Guard:
    """The orders, what was heard of the run, and what is done about it."""

    orders: dict[str, Any]
    pulse: Pulse
    outputs: dict[str, Output]
    pidfd: int = -1
    began_s: float = 0.0
    round: Round | None = None

    def __post_init__(self) -> None:
        self.journal = Journal(self.orders["journal"])

    # -- beside a run that lives ---------------------------------------------------------------------------------------

    def beside(self) -> None:
        """Help, or go on helping, a run that switches off and does not see it off; leave it alone once it does. Never
        raises; comes back at once."""
        now = self.round
        if now is None:
            if time.monotonic() >= self.pulse.beside_s:
                self._new_round(self.pulse.off_since_s, kept=ALIVE).begin()
                self.journal.note("beside the run", why="it has not seen everything off", state=self.pulse.doing)
        elif not self.pulse.is_switching_off:
            self._call_off(now, "no longer beside the run")
            self.round = None
        else:
            self._say_loud()
            if now.all_off:
                self._call_off(now, "seen off, beside the run")

    def _call_off(self, now: Round, word: str) -> None:
        if not now.over.is_set():
            now.over.set()
            self._tell_end(word)

    @property
    def wait_s(self) -> float:
        """How long ``beside`` may be left alone, s."""
        if self.round is None:
            return max(0.0, self.pulse.beside_s - time.monotonic())
        return 60.0 if self.round.over.is_set() and self.pulse.is_switching_off else 0.05

    def _new_round(self, began_s: float, *, kept: str) -> Round:
        # What somebody who was called off may still hear must not pass for an answer of this time.
        self.outputs = {name: one.anew() for name, one in self.outputs.items()}
        self.began_s = began_s
        self.round = Round(self.orders, self.pulse.doing, self.outputs, began_s=began_s, kept=kept)
        return self.round

    # -- in its place --------------------------------------------------------------------------------------------------

    def act(self, why: str, *, fence: bool = True) -> None:
        """Fence, off, confirm; goes on until off is confirmed or somebody has seen to it. Never raises."""
        now, goes_on = self.round, True
        if now is None or now.over.is_set():
            now, goes_on = self._new_round(time.monotonic(), kept=UNKILLABLE), False
        now.kept = UNKILLABLE
        if not fence or self._fence():
            now.alone.set()
        if not goes_on:
            now.begin()
        # Written while the threads send: off is never kept waiting by a disk.
        killed = now.alone.is_set() and fence
        self.journal.note("acting", why=why, state=self.pulse.doing, killed=killed, order=now.names)
        self._tell_end(self._until_off(now, fence))

    def _until_off(self, now: Round, fence: bool) -> str:
        while not now.all_off:
            time.sleep(LOOK_S)
            if fence and not now.alone.is_set() and self._is_dead():
                now.alone.set()
            self._say_loud()
            if now.told and self._seen_to():
                return "somebody has confirmed off"
            if (most := self.orders["gives_up_s"]) is not None and not now.took_s <= most and self._nobody_there():
                return "gave up: a simulated bench that is gone"
        return "off confirmed"

    def _tell_end(self, word: str) -> None:
        took_s = round(time.monotonic() - self.began_s, 4)
        outputs = {name: {"sent_s": _finite(one.sent_s), "said": one.last} for name, one in self.outputs.items()}
        self.journal.note(word, took_s=took_s, outputs=outputs, how=HOW)

    def _say_loud(self) -> None:
        """Once, when it has taken too long."""
        now = self.round
        if now is None or now.told or now.all_off or not now.took_s >= UNSAFE_S:
            return
        now.told = True
        text = self.alarm()
        aloud(text)
        self.journal.note("not confirmed", text=text)

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
        """Whether the notes that this bench may be live were taken away: somebody has confirmed that it is off."""
        notes = self.orders["live_notes"]
        return bool(notes) and all(_taken_away(note) for note in notes)

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


def _taken_away(note: str) -> bool:
    """Whether it is gone from a folder that is still there: one that is gone as well, or cannot be read, says nothing
    of this bench."""
    try:
        os.stat(note)
    except FileNotFoundError:
        return os.path.isdir(os.path.dirname(note))
    except OSError:
        pass
    return False


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
