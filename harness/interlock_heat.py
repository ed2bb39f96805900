"""Interlocks on heat: how fast a pack warms, and how far it is from its room and from itself."""

from __future__ import annotations

import math
from collections import deque
from itertools import islice

from harness.findings import Facts, Finding, Watch
from harness.interlock import Interlock, Lasting, middle, said, share
from harness.limits_settings import SETTINGS
from harness.sample import Sample

RISE_S = 180.0
RATE_S = 60.0
LAG_S = 120.0
"""Behind a current its heat reaches a thermometer on the case up to this late (judgement)."""

ENDS = 5
"""Readings at each end of a window of which the middle one counts."""

COVERED_S = 4.0
"""A window that lacks no more than this counts as covered: slow turns are up to 3 s apart."""

FACTOR = 2.0
"""Heat over what the label's resistance explains: resistance rises in the cold, when empty, and with time."""

HEAT_J_PER_K_WH = {"lifepo4": 10.0, "nmc": 6.0, "agm": 25.0}
"""Heat capacity of a pack over its energy, J/(K Wh): some 110, 170 and 40 Wh/kg at 1 kJ/(kg K) (from memory)."""

USUAL_DROP = 0.03
"""Share of its volts that a pack without a stated resistance is taken to drop at 1 It (judgement)."""


class _Window:
    """Temperatures of the last ``whole_s``; their rise from one end to the other, K, nan until that is covered."""

    def __init__(self, whole_s: float) -> None:
        self._whole_s = whole_s
        self._points: deque[tuple[float, float]] = deque()

    def push(self, t_s: float, temp_c: float) -> float:
        points = self._points
        points.append((t_s, temp_c))
        while len(points) > 2 * ENDS and t_s - points[0][0] > self._whole_s:
            points.popleft()
        if len(points) < 2 * ENDS or t_s - points[0][0] < self._whole_s - COVERED_S:
            return math.nan
        first, last = islice(points, ENDS), list(islice(reversed(points), ENDS))
        return middle(c for _, c in last) - middle(c for _, c in first)


class Heating(Interlock):
    """The pack warms by more than its current explains in 180 s, or faster than 3 K/min."""

    words = "heating"
    settable = (SETTINGS["heating_margin_k"], SETTINGS["heating_k_per_min"])
    goes_on = True

    def __init__(self, facts: Facts) -> None:
        env = facts.envelope
        self._has = facts.has_thermometer
        self._margin_k, self._rate_k = env.limit("heating_margin_k"), env.limit("heating_k_per_min")
        wh = facts.rated_ah * facts.nominal_volts
        self._j_per_k = HEAT_J_PER_K_WH[env.chemistry] * wh
        usual_ohm = USUAL_DROP * facts.nominal_volts / facts.rated_ah
        self._ohm = facts.pack_ohm if facts.pack_ohm > 0 else usual_ohm
        self._rise, self._rate = _Window(RISE_S), _Window(RATE_S)
        self._currents: deque[tuple[float, float]] = deque()
        """When each stretch of a few seconds began, s, and the most current in it, A."""

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        now_s, temp = sample.elapsed_s, sample.pack_temp_c
        self._note(now_s, abs(sample.pack_amps))
        if not self._has or temp != temp:
            return None  # that it is missing is the business of ReadingValid
        rise, rate = self._rise.push(now_s, temp), self._rate.push(now_s, temp)
        if rate == rate and not (rate <= self._rate_k):
            return Finding(
                self.words, f"{rate:.1f} K in {RATE_S:.0f} s, limit {self._rate_k:g} K; pack at {temp:.1f} degC"
            )
        limit = self._explained(watch.step_ohm) + self._margin_k
        if rise == rise and not (rise <= limit):
            text = f"{rise:.1f} K in {RISE_S:.0f} s, its current explains {limit:.1f} K; pack at {temp:.1f} degC"
            return Finding(self.words, text)
        return None

    def _note(self, now_s: float, amps: float) -> None:
        if amps == amps:
            bins = self._currents
            if bins and now_s - bins[-1][0] < ENDS:
                bins[-1] = (bins[-1][0], max(bins[-1][1], amps))
            else:
                bins.append((now_s, amps))
        while self._currents and now_s - self._currents[0][0] > RISE_S + LAG_S:
            self._currents.popleft()

    def _explained(self, step_ohm: float) -> float:
        """What current and resistance explain in the window, K. A step at switch-on that was larger than the label's
        resistance counts, but no more than three of it: a loose joint is no reason to be warm."""
        ohm = min(max(self._ohm, step_ohm), 3.0 * self._ohm) if step_ohm == step_ohm else self._ohm
        amps = max((amps for _, amps in self._currents), default=0.0)
        return FACTOR * amps * amps * ohm / self._j_per_k * RISE_S


class RiseAboveRoom(Interlock):
    """The pack or a lug is far above its room, or two thermometers on the pack disagree, for 10 s."""

    words = "rise above the room"
    settable = (SETTINGS["rise_above_room_k"], SETTINGS["thermometers_apart_k"])
    goes_on = True

    def __init__(self, facts: Facts) -> None:
        self._has = facts.has_thermometer
        self._rise_k = facts.envelope.limit("rise_above_room_k")
        self._apart_k = facts.envelope.limit("thermometers_apart_k")
        self._first_c = self._first_lug_c = math.nan
        self._above, self._apart, self._lug = Lasting(10.0), Lasting(10.0), Lasting(10.0)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.lug_temp_c is not None and (found := self._hot_lug(watch.lug_temp_c, watch, sample.elapsed_s)):
            return found
        temp, other, now_s = sample.pack_temp_c, watch.other_temp_c, sample.elapsed_s
        if not self._has or temp != temp:
            return None
        if self._first_c != self._first_c:
            # Without a thermometer in the room: a pack begins at about its room's temperature.
            self._first_c = temp
        room, where = (self._first_c, "at the beginning") if watch.ambient_c != watch.ambient_c else (
            watch.ambient_c, "in the room"
        )  # fmt: skip
        hotter = max(temp, other) if other == other else temp
        if self._above.full(hotter - room <= self._rise_k, now_s):
            text = f"pack at {hotter:.1f} degC, {room:.1f} degC {where}, limit {self._rise_k:g} K apart"
            return Finding(self.words, text)
        if other == other and self._apart.full(abs(temp - other) <= self._apart_k, now_s):
            text = f"{temp:.1f} and {other:.1f} degC on one pack, limit {self._apart_k:g} K apart; is one probe off?"
            return Finding("thermometers disagree", text)
        return None

    def _hot_lug(self, lug_c: float, watch: Watch, now_s: float) -> Finding | None:
        """A lug that is missing counts as hot: it may have been one."""
        if self._first_lug_c != self._first_lug_c:
            self._first_lug_c = lug_c
        known = watch.ambient_c == watch.ambient_c
        room, where = (watch.ambient_c, "in the room") if known else (self._first_lug_c, "at the beginning")
        if not self._lug.full(lug_c - room <= self._rise_k, now_s):
            return None
        lug = said(lug_c, "degC", digits=1)
        text = f"lug at {lug}, {room:.1f} degC {where}, limit {self._rise_k:g} K apart; look at its joint"
        return Finding(self.words, text)

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        if not self._has or watch.ambient_c != watch.ambient_c:
            return None
        lug_c = -math.inf if watch.lug_temp_c is None else watch.lug_temp_c
        return share(self._rise_k - (max(sample.pack_temp_c, lug_c) - watch.ambient_c), self._rise_k)
