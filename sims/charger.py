"""The charger inside a UPS: a straight line of volts over amps with a limit, behind a diode, and its stages.

After mains power has come it waits, then raises its limit along a ramp. Below ``pre_v`` it gives little (pre-charge);
then boost until the current has tapered off or the time is up, if there is a boost; then float for good. With no
battery at its terminals it only pulses. A battery is seen by its own volts before a pulse, or, if ``pulses_tell``, by
volts between ``present_v`` and the charger's own while a pulse flows. The volts follow the room's temperature.

Levels and times are ours, within what is common practice (no source); each is a parameter.

Not modelled: ripple, switching, its own temperature and efficiency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sims.circuit import LEAST_OHM, Piece, slack_volts
from sims.events import NODE_VOLTS, UPS_AMPS, UPS_FILTERED, UPS_ROOM
from sims.hold import Condition, Hold

COMP_AT_C = 25.0
"""Temperature at which the volts are as set, degC."""

PRE_GAP_V = 0.5
"""Pre-charge comes back this far below ``pre_v``, V."""

IDLE_SIEMENS = 1e-9
"""What a charger that gives nothing draws, A/V: a divider, so that open terminals have a voltage at all."""

BLOCKED_SIEMENS = 1e-5
"""What its divider draws per volt above its own volts, A/V."""


@dataclass(frozen=True, slots=True)
class ChargerSpec:
    """What a charger is set to. At 25 degC, at the UPS's battery terminals.

    float_v, boost_v V (nan = no boost); amps A; ohms slope of the line; delay_s and ramp_s s after mains power has
    come; comp_v_per_k V/K, of all cells together; pre_amps A below pre_v V (0 = no pre-charge); present_v V, below
    which, for present_hold_s s, it sees no battery; boost ends below taper_amps A for taper_s s or after boost_most_s
    s; pulse_s s of current every pulse_every_s s while no battery is seen; a look with the charger held off for look_s
    s every look_every_s s (inf = never) tells whether the battery is still there.
    """

    float_v: float = 27.3
    boost_v: float = math.nan
    amps: float = 1.2
    ohms: float = 0.05
    delay_s: float = 2.0
    ramp_s: float = 5.0
    comp_v_per_k: float = 0.0
    pre_v: float = 0.0
    pre_amps: float = 0.2
    present_v: float = 12.0
    present_hold_s: float = 1.0
    pulses_tell: bool = True
    taper_amps: float = 0.1
    taper_s: float = 60.0
    boost_most_s: float = 4.0 * 3600.0
    pulse_s: float = 0.05
    pulse_every_s: float = 2.0
    look_every_s: float = math.inf
    look_s: float = 1.0

    def __deepcopy__(self, memo: object) -> ChargerSpec:
        return self

    @property
    def boosts(self) -> bool:
        """Has it a boost stage?"""
        return not math.isnan(self.boost_v)


class Charger:
    """State of one charger. ``stage`` is "off", "waiting", "pre", "boost", "float", "look", "quiet" or "pulse"."""

    def __init__(self, spec: ChargerSpec) -> None:
        self.spec = spec
        self.stage = "off"
        self.sees_battery = True
        """What its last look at the terminals said."""
        self._main = "float"
        self._begins_s = math.inf
        self._next_s = math.inf
        self._boost_ends_s = math.inf
        self._taper, self._gone = Hold(), Hold()
        self._now_s = 0.0

    # -- what the UPS tells it ----------------------------------------------------------------------------------------

    def stand(self) -> None:
        """Be, at time 0, as after standing on mains power for long."""
        self.stage, self._main, self._begins_s, self._next_s = "float", "float", -math.inf, self.spec.look_every_s
        self.sees_battery = True

    def start(self, t_s: float, *, boost: bool) -> None:
        """Begin anew with delay and ramp; with ``boost`` the boost comes first, else what was going on goes on.

        Without the delay when a battery was just seen.
        """
        delay_s = 0.0 if self.stage in ("quiet", "pulse") else self.spec.delay_s
        self.stage, self.sees_battery, self._gone = "waiting", True, Hold()
        if boost:
            self._main, self._boost_ends_s = "boost" if self.spec.boosts else "float", math.inf
        self._begins_s = self._next_s = t_s + delay_s

    def stop(self) -> None:
        """Give nothing."""
        self.stage, self._next_s = "off", math.inf
        self._taper = Hold()

    def lose_battery(self, t_s: float) -> None:
        """No battery: pulse now and then."""
        self.stop()
        self.stage, self.sees_battery, self._next_s = "quiet", False, t_s + self.spec.pulse_every_s

    # -- electrically -------------------------------------------------------------------------------------------------

    def volts(self, room_c: float) -> float:
        """Where its line begins, at no current, V."""
        base = self.spec.boost_v if self._main == "boost" else self.spec.float_v
        return base + self.spec.comp_v_per_k * (room_c - COMP_AT_C)

    @property
    def gives(self) -> bool:
        """Is it on?"""
        return self.stage in ("pre", "boost", "float", "pulse")

    def _top(self) -> float:
        """Amps it is limited to once the ramp is over."""
        spec = self.spec
        low = self.stage == "pre" or (self.stage == "pulse" and spec.pre_v > 0.0)
        return min(spec.pre_amps, spec.amps) if low else spec.amps

    def _ramp_ends_s(self) -> float:
        spec = self.spec
        if self.stage not in ("pre", "boost", "float"):
            return -math.inf
        return self._begins_s + (spec.ramp_s * self._top() / spec.amps if spec.amps > 0.0 else 0.0)

    def limit(self, t_s: float) -> float:
        """Amps it is limited to at ``t_s``; 0 while it gives nothing."""
        if not self.gives:
            return 0.0
        if t_s >= self._ramp_ends_s():
            return self._top()
        return self.spec.amps * max(t_s - self._begins_s, 0.0) / self.spec.ramp_s

    def slope(self, t_s: float) -> float:
        """How fast the limit rises at ``t_s``, A/s."""
        return self.spec.amps / self.spec.ramp_s if self.gives and t_s < self._ramp_ends_s() else 0.0

    def room(self, node_volts: float, t_s: float, room_c: float) -> float:
        """Volts up to the end of the constant current; negative on the line of constant volts."""
        return self.volts(room_c) - max(self.spec.ohms, LEAST_OHM) * self.limit(t_s) - node_volts

    def pieces(self, t_s: float, room_c: float) -> tuple[Piece, ...]:
        """Current into the node over node volts at ``t_s``."""
        if not self.gives:
            return (Piece("idle", siemens=IDLE_SIEMENS),)
        volts, ohms, amps = self.volts(room_c), max(self.spec.ohms, LEAST_OHM), self.limit(t_s)
        knee, near = volts - ohms * amps, slack_volts(volts, ohms)
        return (
            Piece(
                "blocked", v_low=volts, amps=volts * BLOCKED_SIEMENS, siemens=BLOCKED_SIEMENS,
                watches=((NODE_VOLTS, volts - near, math.inf),),
            ),
            Piece(
                "line", v_low=knee, v_high=volts, amps=volts / ohms, siemens=1.0 / ohms,
                watches=((NODE_VOLTS, -math.inf, volts + near), (UPS_ROOM, -math.inf, near)),
            ),
            Piece("limit", v_high=knee, amps=amps, watches=((UPS_ROOM, -near, math.inf),)),
        )  # fmt: skip

    # -- stages -------------------------------------------------------------------------------------------------------

    def conditions(self) -> tuple[Condition, ...]:
        """What it waits for beside times."""
        spec, found = self.spec, []
        if self.stage in ("waiting", "pre", "boost", "float"):
            found.append(self._absent())
        if self.stage == "pre":
            found.append(Condition(UPS_FILTERED, True, spec.pre_v))
        if self.stage in ("boost", "float") and spec.pre_v > 0.0:
            found.append(Condition(UPS_FILTERED, False, spec.pre_v - PRE_GAP_V))
        if self._tapers():
            found.append(Condition(UPS_AMPS, True, -spec.taper_amps))
        return tuple(found)

    def _absent(self) -> Condition:
        return Condition(UPS_FILTERED, False, self.spec.present_v)

    def _tapers(self) -> bool:
        return self.stage == "boost" and self._now_s >= self._ramp_ends_s()

    def poll(self, figures: Sequence[float], t_s: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently."""
        self._now_s = t_s
        steady = self.stage in ("waiting", "pre", "boost", "float")
        self._gone.note(steady and self._absent().holds(figures), t_s)
        if self._gone.over(self.spec.present_hold_s, t_s):
            self.sees_battery = False
            return []
        if self.stage in ("quiet", "pulse"):
            return self._poll_pulses(figures, t_s)
        if self.stage == "look":
            return self._poll_look(figures, t_s)
        if self.stage == "waiting" and t_s >= self._begins_s:
            low = self.spec.pre_v > 0.0 and figures[UPS_FILTERED] < self.spec.pre_v
            return self._go("pre" if low else self._main, t_s)
        if self.stage == "pre" and figures[UPS_FILTERED] > self.spec.pre_v:
            return self._go(self._main, t_s)
        if self.stage in ("boost", "float") and figures[UPS_FILTERED] < self.spec.pre_v - PRE_GAP_V:
            return self._go("pre", t_s)
        if self._boosted(figures, t_s):
            self._main = "float"
            return self._go("float", t_s)
        if self.gives and t_s >= self._next_s:
            self.stage, self._next_s = "look", t_s + self.spec.look_s
            return [""]
        return []

    def _go(self, stage: str, t_s: float) -> list[str]:
        if self.stage == "waiting":
            self._next_s = t_s + self.spec.look_every_s
        if stage == "boost" and math.isinf(self._boost_ends_s):
            self._boost_ends_s = t_s + self.spec.boost_most_s
        elif stage == "float":
            self._boost_ends_s = math.inf
        self._taper = Hold()
        self.stage = stage
        return [f"ups: charger on {'pre-charge' if stage == 'pre' else stage}"]

    def _boosted(self, figures: Sequence[float], t_s: float) -> bool:
        if self.stage != "boost":
            return False
        self._taper.note(self._tapers() and figures[UPS_AMPS] > -self.spec.taper_amps, t_s)
        return self._taper.over(self.spec.taper_s, t_s) or t_s >= self._boost_ends_s

    def _poll_pulses(self, figures: Sequence[float], t_s: float) -> list[str]:
        if t_s < self._next_s:
            return []
        accepted = figures[NODE_VOLTS] >= self.spec.present_v and figures[UPS_ROOM] > 0.0
        if self.stage == "pulse" and self.spec.pulses_tell and accepted:
            self.sees_battery = True
            return []
        if self.stage == "pulse":
            self.stage, self._next_s = "quiet", t_s + self.spec.pulse_every_s - self.spec.pulse_s
        elif not self._absent().holds(figures):
            self.sees_battery = True
            return []
        else:
            self.stage, self._next_s = "pulse", t_s + self.spec.pulse_s
        return [""]

    def _poll_look(self, figures: Sequence[float], t_s: float) -> list[str]:
        if t_s < self._next_s:
            return []
        self.sees_battery = not self._absent().holds(figures)
        self.stage, self._next_s = self._main, t_s + self.spec.look_every_s
        return [""]

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        due = min(self._next_s, self._gone.due_s(self.spec.present_hold_s))
        if self.stage == "boost":
            due = min(due, self._boost_ends_s, self._taper.due_s(self.spec.taper_s))
        ramp_s = self._ramp_ends_s()
        return min(due, ramp_s) if ramp_s > self._now_s else due
