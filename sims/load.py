"""A DC electronic load, electrically: constant current, voltage, resistance or power, with its own limits and stops.

Not modelled: input capacitance, loop oscillation, ripple, slew faster than a millisecond (taken as at once; slower is a
staircase of milliseconds, in constant current only); with remote sense the knee counts at the node less the lead drop;
programming and reading errors (the panel's matter).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from sims.circuit import LEAST_OHM, Element, Piece, Sense, slack_amps, slack_volts
from sims.events import LOAD_AMPS, LOAD_SENSE, LOAD_SINK, LOAD_VOLTS, Limits, Watch

RAMP_STEP_S = 0.001


@dataclass(slots=True)
class LoadPort:
    """What the front panel sets and what the input does. Amps > 0 are sunk. Call ``World.changed()`` after a change.

    function is "cc", "cv", "cr" or "cp"; r_min ohm is the knee: below r_min x amps the input is that resistor;
    r_regulation ohm is the slope of cv; low_volts V (0 = none) held for low_volts_delay_s latches the input off;
    over_amps A (inf = none) likewise; amps_max A limits cv, cr and cp; watts_max W limits all; hot_c and cool_c degC
    of the heat sink: off above hot_c, latched until below cool_c; watchdog_due_s: bench time at which its watchdog
    expires (inf = it waits for ever); slew A/s (inf = at once); r_reverse ohm of the way back through its transistors
    on reversed polarity (inf = none).
    """

    function: str = "cc"
    amps_set: float = 0.0
    volts_set: float = 0.0
    ohms_set: float = 1000.0
    watts_set: float = 0.0
    input_on: bool = False
    r_min: float = 0.05
    r_regulation: float = 1e-6
    low_volts: float = 0.0
    low_volts_delay_s: float = 0.1
    low_volts_tripped: bool = False
    resumes: bool = False
    over_amps: float = math.inf
    over_amps_delay_s: float = 0.05
    over_amps_tripped: bool = False
    watchdog_due_s: float = math.inf
    watchdog_expired: bool = False
    hot_c: float = 85.0
    cool_c: float = 60.0
    hot_tripped: bool = False
    sink_j_per_k: float = 400.0
    sink_k_per_w: float = 0.1
    sink_temp_c: float = math.nan
    amps_max: float = 30.0
    watts_max: float = math.inf
    volts_max: float = 120.0
    slew: float = math.inf
    r_reverse: float = math.inf
    remote_sense: bool = False
    amps_now: float = field(default=0.0, init=False)
    """Current aimed at this instant in cc; runs after amps_set at ``slew``."""
    _ramp_due_s: float = field(default=math.inf, init=False, repr=False)
    _low_since_s: float = field(default=math.inf, init=False, repr=False)
    _over_since_s: float = field(default=math.inf, init=False, repr=False)

    def clear_trips(self) -> None:
        """Forget the latched stops whose cause is gone; the input stays off until it is switched on again."""
        self.low_volts_tripped = False
        self.over_amps_tripped = False
        if not self.sink_temp_c >= self.cool_c:
            self.hot_tripped = False

    @property
    def stopped(self) -> bool:
        """True while one of its own stops, or its watchdog, is latched."""
        return self.low_volts_tripped or self.over_amps_tripped or self.hot_tripped or self.watchdog_expired

    def start_ramp(self, t_s: float) -> None:
        """Run after the set current from now on; called by the world whenever something was set."""
        if self.stopped:
            self.input_on = False
        if not self.input_on:
            self.amps_now, self._ramp_due_s = 0.0, math.inf
        elif abs(self.amps_set - self.amps_now) <= self.slew * RAMP_STEP_S:
            self.amps_now, self._ramp_due_s = self.amps_set, math.inf
        else:
            self._ramp_due_s = min(self._ramp_due_s, t_s + 0.5 * RAMP_STEP_S)

    def pieces(self, r_lead: float, sense: Sense) -> Element:
        """Current into the node over node volts, behind ``r_lead`` ohm (it is negative: the load sinks)."""
        if not self.input_on:
            return (Piece("off"),)
        if not self.remote_sense:
            sense = Sense()
        make = {"cc": self._cc, "cv": self._cv, "cr": self._cr, "cp": self._cp}[self.function]
        return (Piece("none", v_high=0.0, watches=((LOAD_VOLTS, -math.inf, 0.0),)), *make(r_lead, sense))

    def _knee(self, r_lead: float, amps: float) -> Piece:
        ohms = self.r_min + r_lead
        watches = ((LOAD_VOLTS, 0.0, math.inf), (LOAD_AMPS, -math.inf, amps))
        return Piece("knee", 0.0, max(amps * ohms, 0.0), siemens=1.0 / ohms, watches=watches)

    def _flat(self, name: str, r_lead: float, amps: float, low: float, high: float) -> Piece:
        watches = ((LOAD_VOLTS, low, high),)
        return Piece(name, low + r_lead * amps, high + r_lead * amps, amps=-amps, watches=watches)

    def _cc(self, r_lead: float, _: Sense) -> Element:
        amps = self.amps_now
        if amps <= 0.0:
            return (Piece("cc", v_low=0.0, watches=((LOAD_VOLTS, 0.0, math.inf),)),)
        amps = min(amps, math.sqrt(self.watts_max / self.r_min))
        bottom, most = self.r_min * amps, self.watts_max / amps
        pieces = [self._knee(r_lead, amps), self._flat("cc", r_lead, amps, bottom, most)]
        if math.isfinite(most):
            pieces.append(self._power(r_lead, self.watts_max, most))
        return pieces

    def _power(self, r_lead: float, watts: float, low: float) -> Piece:
        """Constant power from ``low`` volts at the load upward; never below the fold of power over a lead."""
        low = max(low, math.sqrt(r_lead * watts))
        watches = ((LOAD_VOLTS, low, math.inf),)
        return Piece("cp", low + r_lead * watts / low, watts=watts, watts_ohm=r_lead, watches=watches)

    def _cv(self, r_lead: float, sense: Sense) -> Element:
        volts, ohms = self.volts_set, max(self.r_regulation + (0.0 if self.remote_sense else r_lead), LEAST_OHM)
        start = sense.node_volts(volts)
        top = self.amps_max if volts <= 0.0 else min(self.amps_max, self.watts_max / volts)
        regulated = min(top, volts / self.r_min)
        slack, near = slack_amps(volts, ohms), slack_volts(volts, ohms)
        watches: tuple[Watch, ...] = ((LOAD_VOLTS, 0.0, math.inf), (LOAD_SENSE, -math.inf, volts + near))
        idle = Piece("idle", 0.0, max(start, 0.0), watches=watches)
        end = sense.node_volts(volts + regulated * ohms)
        amps, slope = volts / ohms, 1.0 / ohms
        local, sensed = (0.0, slope) if self.remote_sense else (slope, 0.0)
        watches = ((LOAD_AMPS, -slack, regulated + slack),)
        pieces = [idle, Piece("cv", start, end, amps, local, sensed, watches=watches)]
        if regulated < top:
            knee = self._knee(r_lead, top)
            pieces.append(Piece("knee", end, max(knee.v_high, end), siemens=knee.siemens, watches=knee.watches))
            end = max(knee.v_high, end)
        return [*pieces, *self._tail(r_lead, end, top, (LOAD_SENSE, volts - near, math.inf))]

    def _tail(self, r_lead: float, start: float, amps: float, watch: Watch) -> list[Piece]:
        """Limited in current from ``start`` node volts upward, and in power above."""
        most = self.watts_max / amps if amps > 0.0 else math.inf
        watches = (watch, (LOAD_VOLTS, -math.inf, most))
        end = max(most + r_lead * amps, start)
        pieces = [Piece("limit", start, end, amps=-amps, watches=watches)]
        return pieces if math.isinf(most) else [*pieces, self._power(r_lead, self.watts_max, most)]

    def _cr(self, r_lead: float, sense: Sense) -> Element:
        ohms = max(self.ohms_set, self.r_min)
        top = min(self.amps_max, math.sqrt(self.watts_max / ohms))
        if self.remote_sense:
            end, local, sensed = sense.node_volts(top * ohms), 0.0, 1.0 / ohms
        else:
            end, local, sensed = top * (ohms + r_lead), 1.0 / (ohms + r_lead), 0.0
        watches = ((LOAD_AMPS, -math.inf, top), (LOAD_VOLTS, 0.0, math.inf))
        limit = self._tail(r_lead, end, top, (LOAD_SENSE, top * ohms, math.inf))
        return (Piece("cr", 0.0, end, 0.0, local, sensed, watches=watches), *limit)

    def _cp(self, r_lead: float, sense: Sense) -> Element:
        watts = min(self.watts_set, self.watts_max)
        if watts <= 0.0:
            return (Piece("cp", v_low=0.0, watches=((LOAD_VOLTS, 0.0, math.inf),)),)
        low = max(watts / self.amps_max, math.sqrt(watts * self.r_min))
        amps = min(self.amps_max, watts / low)
        if self.remote_sense:
            seen = ((LOAD_SENSE, low, math.inf),)
            power = Piece("cp", sense.node_volts(low), watts=watts, watts_sensed=True, watches=seen)
        else:
            power = self._power(r_lead, watts, low)
        knee = self._knee(r_lead, amps)
        watches = ((LOAD_VOLTS, self.r_min * amps, math.inf),)
        limit = Piece("limit", knee.v_high, power.v_low, amps=-amps, watches=watches)
        return (power, limit, knee) if knee.v_high < power.v_low else (power, knee)

    def poll(self, figures: Sequence[float], t_s: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently."""
        done: list[str] = []
        if t_s >= self._ramp_due_s and self.input_on:
            step = self.slew * RAMP_STEP_S
            self.amps_now += min(max(self.amps_set - self.amps_now, -step), step)
            self._ramp_due_s = math.inf if self.amps_now == self.amps_set else t_s + RAMP_STEP_S
            done.append("")
        low = self.input_on and self.low_volts > 0.0 and figures[LOAD_SENSE] < self.low_volts
        self._low_since_s = min(self._low_since_s, t_s) if low else math.inf
        if t_s >= self._low_since_s + self.low_volts_delay_s:
            self.low_volts_tripped = True
            done.append(f"load: below {self.low_volts:g} V, input off")
        over = self.input_on and figures[LOAD_AMPS] > self.over_amps
        self._over_since_s = min(self._over_since_s, t_s) if over else math.inf
        if t_s >= self._over_since_s + self.over_amps_delay_s:
            self.over_amps_tripped = True
            done.append(f"load: above {self.over_amps:g} A, input off")
        if self.input_on and figures[LOAD_SINK] > self.hot_c:
            self.hot_tripped = True
            done.append(f"load: heat sink above {self.hot_c:g} degC, input off")
        if self.resumes and self.low_volts_tripped and figures[LOAD_SENSE] > self.low_volts:
            self.low_volts_tripped, self.input_on = False, True
            self.start_ramp(t_s)
            done.append(f"load: above {self.low_volts:g} V again, input on by itself")
        if t_s >= self.watchdog_due_s:
            self.watchdog_due_s, self.watchdog_expired = math.inf, True
            done.append("load: nothing was said to it, its watchdog expired, input off")
        if self.input_on and self.stopped:
            self.input_on = False
            self.start_ramp(t_s)
            self._low_since_s = self._over_since_s = math.inf
        return done

    def narrow(self, limits: Limits) -> None:
        """Add what this port waits for to what the world watches."""
        if self.resumes and self.low_volts_tripped:
            limits.narrow_condition(LOAD_SENSE, above=True, level=self.low_volts, holds=False)
        if not self.input_on:
            return
        if self.low_volts > 0.0:
            holds = math.isfinite(self._low_since_s)
            limits.narrow_condition(LOAD_SENSE, above=False, level=self.low_volts, holds=holds)
        holds = math.isfinite(self._over_since_s)
        limits.narrow_condition(LOAD_AMPS, above=True, level=self.over_amps, holds=holds)
        limits.narrow_condition(LOAD_SINK, above=True, level=self.hot_c, holds=False)

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        return min(
            self._ramp_due_s,
            self._low_since_s + self.low_volts_delay_s,
            self._over_since_s + self.over_amps_delay_s,
            self.watchdog_due_s,
        )
