"""What the guard does when it acts: the run is killed, each output is told off in its turn, and asked, until all are
seen off or somebody has seen to it. Standard library only. It never energises and never clears a protection.

Whoever is silent keeps nobody waiting: each output has a thread of its own, and its turn comes at the latest
``APART_S`` after the one before it.
"""

from __future__ import annotations

import json
import math
import os
import select
import signal
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from harness.guard_outputs import Output, clock, turns
from harness.guard_process import started
from harness.guard_pulse import Pulse

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


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
