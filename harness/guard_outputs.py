"""One output as the guard sees it: what it is told, what it is asked, and who comes after whom. Standard library only.
Nothing in here raises."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import dataclass, field
from typing import Any

from harness.guard_answers import amps_said, is_zero, says_off
from harness.guard_journal import clock
from harness.guard_lines import Line

FRESH_APART_S = 0.2
"""Two readings of a current this far apart are two readings, s."""


@dataclass(slots=True)
class Output:
    """One instrument to be switched off: how it is reached, what is sent, what is asked and what means off."""

    name: str
    line: Line
    told: dict[str, Any]
    off: threading.Event = field(default_factory=threading.Event)
    tries: int = 0
    sent_s: float = math.nan
    amps: float = math.nan
    amps_utc: str = "never"
    last: str = "no answer"
    nobody_there: bool = False

    def anew(self) -> Output:
        """The same, of which nothing is known yet; on the same line."""
        return Output(self.name, self.line, self.told)

    def switch_off(self) -> bool:
        """Send it; a line that fails is opened anew once. True when it went out. Never raises."""
        self.tries += 1
        return self._within(self.told["off"]) or self._within(self.told["off"])

    def soften(self) -> None:
        """Tell it its lowest current: second best when it does not go off. Never raises."""
        self._within(self.told["soften"])

    def _within(self, messages: list[list[Any]]) -> bool:
        try:
            with self.line.lock:
                self._say(messages)
                self.nobody_there = False
                return True
        except Exception as error:  # whatever one line does, the others are still told
            self._lost(error)
            return False

    def look(self) -> None:
        """Ask whether it is off, and for its current twice. Never raises."""
        try:
            reply = self._ask("ask")
            said = says_off(reply, self.told["ask"])
            amps = [] if self.told["amps"] is None else [self._amps(), self._amps()]
            quiet = self.told["amps"] is None or is_zero(amps, self.told["zero_amps"])
            said_words = {True: "says off", False: "says ON", None: f"answers {reply[:40]!r}"}[said]
            self.last = ", ".join([said_words, *(f"{one:.3f} A" if one == one else "no current" for one in amps)])
            if said is True and quiet:
                self.off.set()
        except Exception as error:
            self._lost(error)

    def _amps(self) -> float:
        time.sleep(FRESH_APART_S)
        amps = amps_said(self._ask("amps"), self.told["amps"])
        if amps == amps:
            self.amps, self.amps_utc = amps, clock()
        return amps

    def _ask(self, what: str) -> str:
        *before, (question, _) = self.told[what]["messages"]
        with self.line.lock:
            self._say(before)
            self.line.open()
            return self.line.ask(bytes.fromhex(question)).decode("ascii", "replace")

    def _say(self, messages: list[list[Any]]) -> None:
        if not self.line.is_open:
            self.each(self.told["begin"])
        self.each(messages)

    def each(self, messages: list[list[Any]]) -> None:
        for message, answered in messages:
            self.line.open()  # some lines close where an answer is missing
            # An answer to an order is taken off the line; whatever it says, "off" goes on.
            (self.line.ask if answered else self.line.send)(bytes.fromhex(message))

    def _lost(self, error: Exception) -> None:
        self.last = f"{type(error).__name__}: {error}"
        self.nobody_there = isinstance(error, ConnectionRefusedError | FileNotFoundError)
        self.let_go()

    def let_go(self) -> None:
        """Close the line, and not in the middle of what another output says on it: its number may be another line's
        the next moment."""
        with self.line.lock:
            self.line.close()


def turns(order: list[tuple[str, float]], kinds: dict[str, str]) -> list[tuple[str, float, bool]]:
    """Name, how long after the one before (s), whether it waits until no current flows: of each in the order, then of
    whoever is not in it."""
    named = [(name, hold_s) for name, hold_s in order if name in kinds]
    rest = [(name, 0.0) for name in kinds if name not in {one for one, _ in named}]
    told = [(name, hold_s, kinds[name] == "contactor") for name, hold_s in [*named, *rest]]
    return sorted(told, key=lambda one: one[2])
