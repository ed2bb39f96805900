"""What the guard takes for a sign of life: the beats of a run, and when one is a reason to act. Standard library only.

``beat SEQUENCE MONOTONIC_NS STATE SAMPLE AGE_MS HASH`` is answered ``seq SEQUENCE ok``. ``bye`` ends it, and counts
only after a beat whose state is ``off``. ``unsafe``: the run could not confirm off and goes on trying; the guard then
tries beside it. Everything else is a reason to act.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from typing import Any

OFF_STATE, SWITCHING, PROVING, REST = "off", "switching off", "proving off", "rest"
"""``proving off``: all instruments say off and carry nothing, and a witness is being waited for."""

BESIDE_S = 3.0
"""A run that lives and has not seen everything off so long after its first order is helped, s, and not killed."""


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
        if state not in (SWITCHING, PROVING):
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

    @property
    def beside_s(self) -> float:
        """From when on the run is to be helped; inf where it needs none."""
        return self.off_since_s + BESIDE_S if self.state == SWITCHING else math.inf

    @property
    def is_switching_off(self) -> bool:
        """Whether the run has told everything off and does not know it off yet."""
        return self.off_since_s < math.inf

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
