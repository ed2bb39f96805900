"""The interlock on the end of a charge: the part at constant volts, in which the current has only one way to go."""

from __future__ import annotations

import math
from collections import deque

from harness.findings import Facts, Finding, Watch
from harness.interlock import Interlock, Lasting, middle, said, share
from harness.limits_settings import SETTINGS
from harness.sample import Sample

WINDOW_S = 600.0
BIN_S = 10.0
OPENED_SHARE = 0.01
"""Under this share of the set current nothing is charged: the pack has opened, and what comes after begins anew."""

MIDDLE_OF = 5
"""Of so many readings in a row the middle one counts. Until there are so many none does: one that is low by mistake as
the constant volts begin would make a rise of everything after it."""

RISE_IT = 0.02
"""A rise of less than this many It is a balancer at work, and no fault (judgement)."""


class Tail(Interlock):
    """The constant-volts part of a charge goes on for too long, or the current rises in it."""

    words = "tail of the charge"
    settable = (SETTINGS["tail_longest_s"], SETTINGS["tail_rise_pct"])

    def __init__(self, facts: Facts) -> None:
        self._longest_s = facts.envelope.limit("tail_longest_s")
        self._share = facts.envelope.limit("tail_rise_pct") / 100.0
        self._least_a = RISE_IT * facts.rated_ah
        self._last: deque[float] = deque(maxlen=MIDDLE_OF)
        self._lows: deque[tuple[float, float]] = deque()
        """When each stretch of 10 s began, s, and the least current in it, A."""
        self._cv_s = 0.0
        self._rising = Lasting(10.0)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        cv_s, before_s = watch.cv_s, self._cv_s
        self._cv_s = cv_s
        if not (cv_s <= self._longest_s):
            hours = self._longest_s / 3600.0
            return Finding(
                self.words,
                f"{said(cv_s / 3600.0, 'h', digits=2)} at constant volts, limit {hours:g} h: it does not end",
            )
        amps = watch.active_amps
        if amps != amps:
            return None
        if not (cv_s > before_s) or not (amps >= OPENED_SHARE * watch.set_amps):
            # At constant current, or the pack has opened: a charge that begins again is no rise.
            self._last.clear()
            self._lows.clear()
            return None
        return self._rise(sample.elapsed_s, amps)

    def _rise(self, now_s: float, amps: float) -> Finding | None:
        self._last.append(amps)
        if len(self._last) < MIDDLE_OF:
            return None
        now = middle(self._last)
        lows = self._lows
        least = min((low for _, low in lows), default=math.inf)
        limit = least + max(self._share * least, self._least_a)
        if self._rising.full(now <= limit, now_s):  # the first after a break always is: nothing is known to be lower
            text = f"{now:.3f} A, {least:.3f} A within the last 10 min at constant volts, limit {limit:.3f} A"
            return Finding(self.words, f"the current rises: {text}; heat, or a short in a cell?")
        if lows and now_s - lows[-1][0] < BIN_S:
            lows[-1] = (lows[-1][0], min(lows[-1][1], now))
        else:
            lows.append((now_s, now))
        while lows and now_s - lows[0][0] > WINDOW_S:
            lows.popleft()
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return share(self._longest_s - watch.cv_s, self._longest_s) if watch.cv_s > 0 else None
