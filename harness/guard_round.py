"""One time of switching everything off: each output told in its turn, asked, told again, until it is seen off. Standard
library only.

Whoever is silent keeps nobody waiting: each output has a thread of its own, and its turn comes at the latest
``APART_S`` after the one before it.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from typing import Any

from harness.guard_outputs import Output, turns

APART_S = 0.3
"""The next in the order is told at most this long after the one before it, s, whether that one could be reached."""

CONTACTOR_S = 2.0
"""A contactor opens once no current flows, and after this whatever flows, s: whatever that costs its contacts."""

REPEAT_S = 0.5
SOFTEN_S = 1.5
UNSAFE_S = 10.0
RETRY_S = 10.0


class Round:
    """``began_s``: when switching off began, by the run or by the guard, s of the machine's monotonic clock; everything
    in here is counted from then. ``alone`` once nobody else holds the lines that one holder must have for itself;
    ``kept`` is why they are not to be had meanwhile. ``over`` ends it without anything more being said.
    """

    def __init__(
        self, orders: dict[str, Any], state: str, outputs: dict[str, Output], *, began_s: float, kept: str
    ) -> None:
        self.orders, self.outputs, self.began_s, self.kept = orders, outputs, began_s, kept
        self.alone = threading.Event()
        self.over = threading.Event()
        self.told = False
        """Whether the loud text was said."""
        self._order = turns(orders["order"].get(state, orders["order"]["unknown"]), orders["kinds"])
        self._gates = [threading.Event() for _ in range(len(self._order) + 1)]

    @property
    def names(self) -> list[str]:
        """Of the outputs, in their order."""
        return [one[0] for one in self._order]

    @property
    def took_s(self) -> float:
        """Since switching off began, s."""
        return time.monotonic() - self.began_s

    @property
    def all_off(self) -> bool:
        """Whether each was seen off."""
        return all(one.off.is_set() for one in self.outputs.values())

    def begin(self) -> None:
        """Send them off. Never raises."""
        self._gates[0].set()
        for place, (name, hold_s, last) in enumerate(self._order):
            given = (self.outputs[name], hold_s, last, place)
            try:
                threading.Thread(target=self._see_off, args=given, daemon=True).start()
            except RuntimeError:  # no room for a thread: this one after the other, once
                self.outputs[name].switch_off()
                self.outputs[name].look()

    def _may_speak(self, one: Output) -> bool:
        return bool(one.line.way["shared"]) or self.alone.is_set()

    def _see_off(self, one: Output, hold_s: float, last: bool, place: int) -> None:
        """One instrument, in its turn, until it is seen off."""
        with suppress(Exception), one.line.lock:
            if self._may_speak(one):
                one.line.open()  # it may take long, and is begun before its turn has come
                one.each(one.told["begin"])
        self._gates[place].wait(APART_S * place)
        self._wait_turn(hold_s, last)
        softened = False
        while not (one.off.is_set() or self.over.is_set()):
            began = time.monotonic()
            softened = self._tell(one, place, softened=softened)
            if one.off.is_set():
                break
            long = self.took_s >= UNSAFE_S
            if long:
                one.let_go()  # whoever else tries to switch it off may need its only session
            # Who waits for its line to be given up goes on as soon as it is.
            woken = self.over if self._may_speak(one) else self.alone
            woken.wait(max(0.0, began + (RETRY_S if long else REPEAT_S) - time.monotonic()))
        one.let_go()

    def _tell(self, one: Output, place: int, *, softened: bool) -> bool:
        """Off, and ask; its lowest current once, where it stays on. Whether it was told that."""
        if not self._may_speak(one):
            one.last = self.kept
            self._gates[place + 1].set()
            return softened
        sent = one.switch_off()
        if sent and one.sent_s != one.sent_s:
            one.sent_s = round(self.took_s, 4)
        self._gates[place + 1].set()
        one.look()
        if not (one.off.is_set() or softened) and self.took_s >= SOFTEN_S:
            one.soften()
            return True
        return softened

    def _wait_turn(self, hold_s: float, last: bool) -> None:
        if not last:
            time.sleep(max(0.0, self.began_s + hold_s - time.monotonic()))
            return
        others = [one for name, one in self.outputs.items() if self.orders["kinds"][name] in ("supply", "load")]
        while self.took_s < CONTACTOR_S and self.alone.is_set():
            if all(other.off.is_set() for other in others):
                return
            time.sleep(0.01)
