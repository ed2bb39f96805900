"""A DC supply, electrically: a voltage behind a small resistance, limited in current both ways.

A one-quadrant supply takes in no more than its bleed current; a two-quadrant one sinks up to a limit that is set.

Not modelled: ripple, output inductance, foldback, mains side, warm-up; programming and reading errors (the output's
matter); a limit of the power that is sunk, or of the volts below which nothing is; its output capacitor while a load
pulls it down within a millisecond (taken as at once); the shape of its ramp below 5 ms (a staircase).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from sims.circuit import LEAST_OHM, Element, Piece, Sense, slack_amps, slack_volts
from sims.events import SUPPLY_AMPS, SUPPLY_SENSE, SUPPLY_VOLTS, Limits

RAMP_STEP_S = 0.005
COAST_STEPS = 50
"""Steps per time constant while the output capacitor runs down."""


@dataclass(slots=True)
class SupplyPort:
    """What the front panel sets and what the output does; amps > 0 are sourced. Call ``World.changed()`` after setting.

    volts_set V, amps_set A; over_volts V (inf = none); slew V/s (inf = at once); r_source and r_bleed ohm;
    i_bleed A, the most the output takes in while it is driven from outside; sink_amps A, what a two-quadrant one may
    take in while it is on (0 = one quadrant); c_out F (0 = none);
    sense_volts_max V, the largest drop in the leads that remote sense makes good; r_reverse ohm of the clamp against
    reversed polarity (inf = none fitted); watchdog_due_s: bench time at which its watchdog expires (inf = it waits for
    ever). mode is "cv", "cc", "driven", "unregulated" or "off".
    """

    volts_set: float = 0.0
    amps_set: float = 0.0
    output_on: bool = False
    over_volts: float = math.inf
    over_volts_delay_s: float = 0.001
    over_amps_enabled: bool = False
    over_amps_delay_s: float = 0.05
    over_volts_tripped: bool = False
    over_amps_tripped: bool = False
    watchdog_due_s: float = math.inf
    watchdog_expired: bool = False
    remote_sense: bool = False
    sense_volts_max: float = 1.5
    r_source: float = 0.005
    i_bleed: float = 0.02
    sink_amps: float = 0.0
    r_bleed: float = 5000.0
    r_reverse: float = math.inf
    c_out: float = 0.0
    slew: float = math.inf
    volts_max: float = 60.0
    amps_max: float = 10.0
    mode: str = "off"
    volts_now: float = field(default=0.0, init=False)
    """Regulated volts at this instant; runs after volts_set at ``slew``."""
    coasting_volts: float = field(default=math.nan, init=False)
    """Volts on the output capacitor while it runs down slowly; nan otherwise."""
    _ramp_due_s: float = field(default=math.inf, init=False, repr=False)
    _coast_due_s: float = field(default=math.inf, init=False, repr=False)
    _coast_from_s: float = field(default=0.0, init=False, repr=False)
    _coast_v_per_s: float = field(default=0.0, init=False, repr=False)
    _over_volts_since_s: float = field(default=math.inf, init=False, repr=False)
    _over_amps_since_s: float = field(default=math.inf, init=False, repr=False)

    @property
    def most_in(self) -> float:
        """The most that flows into the output while it is on, A."""
        return max(self.i_bleed, self.sink_amps)

    @property
    def stopped(self) -> bool:
        """True while one of its own stops, or its watchdog, is latched."""
        return self.over_volts_tripped or self.over_amps_tripped or self.watchdog_expired

    def clear_trips(self) -> None:
        """Forget the latched trips, the watchdog's not; the output stays off until it is switched on again."""
        self.over_volts_tripped = False
        self.over_amps_tripped = False

    def start_ramp(self, t_s: float) -> None:
        """Run after the set voltage from now on; called by the world whenever something was set."""
        if self.stopped:
            self.output_on = False
        if not self.output_on:
            self.volts_now = 0.0
            self._ramp_due_s = math.inf
        elif math.isinf(self.slew):
            self.volts_now = self.volts_set
        elif self.volts_now != self.volts_set:
            self._ramp_due_s = min(self._ramp_due_s, t_s + 0.5 * RAMP_STEP_S)

    def pieces(self, r_lead: float, sense: Sense) -> Element:
        """Current into the node over node volts, behind ``r_lead`` ohm."""
        if not math.isnan(self.coasting_volts):
            ohms = max(r_lead + self.r_source, LEAST_OHM)
            return (Piece("coasting", amps=self.coasting_volts / ohms, siemens=1.0 / ohms),)
        if not self.output_on:
            return (Piece("off", siemens=1.0 / (self.r_bleed + r_lead)),)
        return self._sensed(r_lead, sense) if self.remote_sense else self._local(r_lead)

    def _local(self, r_lead: float) -> Element:
        source = max(self.r_source, LEAST_OHM - r_lead)
        ohms, volts = source + r_lead, self.volts_now
        top, knee = volts + self.most_in * ohms, volts - self.amps_set * ohms
        slack, near = slack_amps(volts, ohms), slack_volts(volts, ohms)
        return (
            Piece(
                "driven", v_low=top, amps=-self.most_in,
                watches=((SUPPLY_SENSE, volts + self.most_in * source - near, math.inf),),
            ),
            Piece(
                "cv", v_low=knee, v_high=top, amps=volts / ohms, siemens=1.0 / ohms,
                watches=((SUPPLY_AMPS, -self.most_in - slack, self.amps_set + slack),),
            ),
            Piece(
                "cc", v_high=knee, amps=self.amps_set,
                watches=((SUPPLY_SENSE, -math.inf, volts - self.amps_set * source + near),),
            ),
        )  # fmt: skip

    def _sensed(self, r_lead: float, sense: Sense) -> Element:
        steep, volts, most = 1.0 / LEAST_OHM, self.volts_now, self.volts_now + self.sense_volts_max
        slack, near = slack_amps(volts, LEAST_OHM), slack_volts(volts, LEAST_OHM)
        r_lead = max(r_lead, LEAST_OHM)
        at_set = sense.node_volts(volts)
        reach = max((most - at_set) / r_lead, 0.0)
        amps = min(self.amps_set, reach)
        top = sense.node_volts(volts + self.most_in * LEAST_OHM)
        bottom = sense.node_volts(volts - amps * LEAST_OHM)
        below = ((SUPPLY_SENSE, -math.inf, volts - amps * LEAST_OHM + near),)
        pieces = [
            Piece("driven", v_low=top, amps=-self.most_in, watches=((SUPPLY_SENSE, volts - near, math.inf),)),
            Piece(
                "cv", v_low=bottom, v_high=top, amps=volts * steep, sense_siemens=steep,
                watches=((SUPPLY_AMPS, -self.most_in - slack, self.amps_set + slack), (SUPPLY_VOLTS, -math.inf, most)),
            ),
        ]  # fmt: skip
        if reach < self.amps_set:
            knee = min(most - self.amps_set * r_lead, bottom)
            limits = (*below, (SUPPLY_AMPS, -math.inf, self.amps_set))
            pieces.append(
                Piece("unregulated", knee, bottom, amps=most / r_lead, siemens=1.0 / r_lead, watches=limits)
            )  # fmt: skip
            bottom = knee
        pieces.append(Piece("cc", v_high=bottom, amps=self.amps_set, watches=(*below, (SUPPLY_VOLTS, -math.inf, most))))
        return tuple(pieces)

    def poll(self, figures: Sequence[float], t_s: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently."""
        done: list[str] = []
        if t_s >= self._ramp_due_s and self.output_on:
            step = self.slew * RAMP_STEP_S
            self.volts_now += min(max(self.volts_set - self.volts_now, -step), step)
            self._ramp_due_s = math.inf if self.volts_now == self.volts_set else t_s + RAMP_STEP_S
            done.append("")
        over = self.output_on and figures[SUPPLY_VOLTS] > self.over_volts
        self._over_volts_since_s = min(self._over_volts_since_s, t_s) if over else math.inf
        if t_s >= self._over_volts_since_s + self.over_volts_delay_s:
            self.over_volts_tripped = True
            done.append(f"supply: over-volts above {self.over_volts:g} V, output off")
        limited = self.output_on and self.over_amps_enabled and self.mode == "cc"
        self._over_amps_since_s = min(self._over_amps_since_s, t_s) if limited else math.inf
        if t_s >= self._over_amps_since_s + self.over_amps_delay_s:
            self.over_amps_tripped = True
            done.append(f"supply: over-amps at {self.amps_set:g} A, output off")
        if t_s >= self.watchdog_due_s:
            self.watchdog_due_s, self.watchdog_expired = math.inf, True
            done.append("supply: nothing was said to it, its watchdog expired, output off")
        if self.output_on and self.stopped:
            self.output_on = False
            self.start_ramp(t_s)
        return done

    def narrow(self, limits: Limits) -> None:
        """Add what this port waits for to what the world watches."""
        if self.output_on and math.isfinite(self.over_volts):
            holds = math.isfinite(self._over_volts_since_s)
            limits.narrow_condition(SUPPLY_VOLTS, above=True, level=self.over_volts, holds=holds)

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        return min(
            self._ramp_due_s,
            self._coast_due_s,
            self._over_volts_since_s + self.over_volts_delay_s,
            self._over_amps_since_s + self.over_amps_delay_s,
            self.watchdog_due_s,
        )

    def coast(self, *, from_volts: float, to_volts: float, amps: float, t_s: float) -> bool:
        """Let the output capacitor run down from ``from_volts`` while ``amps`` leave it; False when it is at its end.

        ``to_volts`` is where the circuit would hold it without a capacitor. A fall within a millisecond is at once.
        """
        amps += from_volts / self.r_bleed if not self.output_on else self.most_in
        gap = from_volts - to_volts
        if self.c_out <= 0.0 or gap < 1e-3 or amps <= 0.0 or gap * self.c_out / amps < 1e-3:
            self.coasting_volts, self._coast_due_s = math.nan, math.inf
            return False
        self.coasting_volts, self._coast_from_s, self._coast_v_per_s = from_volts, t_s, amps / self.c_out
        self._coast_due_s = t_s + gap / self._coast_v_per_s / COAST_STEPS
        return True

    def capacitor_volts(self, t_s: float, terminal_volts: float) -> float:
        """Volts the output capacitor brings along to this instant; from here on it is not coasting."""
        volts = terminal_volts
        if not math.isnan(self.coasting_volts):
            volts = self.coasting_volts - self._coast_v_per_s * (t_s - self._coast_from_s)
        self.coasting_volts, self._coast_due_s = math.nan, math.inf
        return volts
