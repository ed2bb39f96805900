"""A UPS as a device under test: its states, what moves it from one to the next, and what its battery terminals draw.

What it answers to in each state is in ups_table.py.

Not modelled: the wave of its output, mains disturbances other than loss, the transfer back (no gap), bypass overload,
what a reversed battery would destroy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sims.charger import Charger, ChargerSpec
from sims.circuit import LEAST_OHM, Piece
from sims.events import NODE_VOLTS, UPS_FILTERED, Limits
from sims.hold import Condition, Hold
from sims.input_capacitor import InputCapacitor
from sims.ups_draw import inverter_pieces, off_pieces
from sims.ups_spec import UpsSpec
from sims.ups_states import (
    BATTERY,
    CUT_OFF,
    DARK,
    LATCHED,
    LOW,
    MAINS,
    NO_BATTERY,
    OFF,
    ON_MAINS,
    OVERLOAD,
    RUNNING,
    SELF_TEST,
    STATES,
    TRANSFER,
)  # fmt: skip
from sims.ups_table import TABLE

__all__ = ["STATES", "ChargerSpec", "Ups", "UpsSpec"]

HIGH_GAP_V = 0.1
"""An abnormal output is normal again this far below high_v, V."""


class Ups:
    """One UPS. Set ``mains_on``, ``ac_load_w`` (W), ``ac_load_on``, or ``press()``; then call ``World.changed()``.

    With ``mains_on`` it has stood on mains power for long, its charger on float; else it is off. ``filtered_volts`` is
    what its control sees. ``off_reason`` is "" or "cut-off", "input under-voltage", "input over-voltage", "overload",
    "no battery" or "light load". Amps > 0 go into it.
    """

    def __init__(
        self, spec: UpsSpec, *, mains_on: bool = False, ac_load_w: float = 0.0, ac_load_on: bool = True
    ) -> None:
        self.spec = spec
        self.mains_on, self.ac_load_w, self.ac_load_on = mains_on, ac_load_w, ac_load_on
        self.state = MAINS if mains_on else OFF
        self.off_reason = ""
        self.warning = self.abnormal = self.battery_bad = False
        self.filtered_volts = math.nan
        self.room_c = 25.0
        """Temperature its charger goes by, degC; kept by the world."""
        self.charger = Charger(spec.charger)
        if mains_on:
            self.charger.stand()
        self.input = InputCapacitor(spec.c_in_f)
        self.pressed = False
        self._mains_since_s = -math.inf if mains_on else math.inf
        self.entered_s = -math.inf
        self.self_test_due_s = math.inf
        self._told_out = mains_on
        self._now_s = -math.inf
        self.low, self.warned, self.over, self.light = Hold(), Hold(), Hold(), Hold()

    # -- what is seen from outside ------------------------------------------------------------------------------------

    @property
    def ac_out(self) -> bool:
        """Is the AC output alive?"""
        return self.state in RUNNING or (self.state in ON_MAINS and self.mains_on)

    @property
    def ac_w(self) -> float:
        """What hangs on the AC output, W."""
        return self.ac_load_w if self.ac_load_on else 0.0

    def press(self) -> None:
        """Press the panel button; it counts at the next ``World.changed()``."""
        self.pressed = True

    # -- electrically -------------------------------------------------------------------------------------------------

    def pieces(self, t_s: float) -> tuple[Piece, ...]:
        """Current into the node over node volts, with what the input capacitor holds at this instant."""
        held = self.input.held_volts
        if not math.isnan(held):
            return (Piece("capacitor", amps=held / LEAST_OHM, siemens=1.0 / LEAST_OHM),)
        return self.bare_pieces(t_s)

    def bare_pieces(self, t_s: float) -> tuple[Piece, ...]:
        """Current into the node over node volts, without the input capacitor."""
        if self.state in ON_MAINS:
            return self.charger.pieces(t_s, self.room_c)
        if self.state in RUNNING:
            return inverter_pieces(self.spec.dc_w(self.ac_w), self.spec.uvlo_v)
        return off_pieces(self.spec.off_amps)

    def ramp(self, piece: str, t_s: float) -> float:
        """How fast the current of this piece into the node rises by itself, A/s."""
        return self.charger.slope(t_s) if piece == "limit" and self.state in ON_MAINS else 0.0

    def room(self, node_volts: float, t_s: float) -> float:
        """Volts up to the end of the charger's constant current; 0 when it is not at work."""
        return self.charger.room(node_volts, t_s, self.room_c) if self.state in ON_MAINS else 0.0

    # -- what it waits for --------------------------------------------------------------------------------------------

    def conditions(self) -> tuple[Condition, ...]:
        """The levels it compares with in this state."""
        spec, found = self.spec, []
        if self.state in RUNNING:
            found += [
                Condition(NODE_VOLTS, False, spec.uvlo_v), self._below_cutoff(),
                Condition(UPS_FILTERED, True, spec.high_v - (HIGH_GAP_V if self.abnormal else 0.0)),
            ]  # fmt: skip
        if self.state == BATTERY and spec.warns:
            found.append(Condition(UPS_FILTERED, False, spec.warn_v))
        if self.state == LOW:
            found.append(Condition(UPS_FILTERED, True, spec.warn_release_v))
        if self.state == CUT_OFF:
            found.append(Condition(UPS_FILTERED, True, spec.restart_v))
        if self.state in (CUT_OFF, MAINS) and spec.above_high == "refuses":
            found.append(Condition(UPS_FILTERED, True, spec.high_v))
        return (*found, *self.charger.conditions()) if self.state in ON_MAINS else tuple(found)

    def _below_cutoff(self) -> Condition:
        return Condition(UPS_FILTERED, False, self.spec.cutoff_at(self.ac_w))

    def narrow(self, limits: Limits, figures: Sequence[float]) -> None:
        """Add what it waits for to what the world watches."""
        for condition in self.conditions():
            condition.narrow(limits, figures)

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        spec, state = self.spec, self.state
        dues = [self.input.due_s]
        if state in (*DARK, BATTERY, LOW) and state != OVERLOAD:
            dues.append(self.mains_good_s())
        if state in RUNNING:
            dues.append(self.low.due_s(spec.cutoff_hold_s))
        if state in (BATTERY, LOW):
            dues += [self.over.due_s(spec.overload_s), self.light.due_s(spec.light_load_s)]
        if state == BATTERY:
            dues.append(self.warned.due_s(spec.warn_hold_s))
        if state == TRANSFER:
            dues.append(self.entered_s + spec.transfer_s)
        if state == SELF_TEST:
            dues.append(self.entered_s + spec.selftest_s)
        if state == MAINS:
            dues.append(self.self_test_due_s)
        if state in ON_MAINS:
            dues.append(self.charger.due_s())
        # What is due and has not happened waits for something else, which is watched.
        return min((due for due in dues if due > self._now_s), default=math.inf)

    def mains_good_s(self) -> float:
        """When mains power will have been good for long enough to go over, s."""
        since = max(self._mains_since_s, self.entered_s) if self.state in DARK else self._mains_since_s
        return since + self.spec.ac_qualify_s

    # -- the machine --------------------------------------------------------------------------------------------------

    def poll(self, figures: Sequence[float], t_s: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently."""
        self._now_s = t_s
        self._note(figures, t_s)
        done = self.charger.poll(figures, t_s) if self.state in ON_MAINS else []
        row = next((row for row in TABLE[self.state] if row.happens(self, figures, t_s)), None)
        if row is not None:
            done.append(row.words)
            if row.to:
                self._enter(row.to, t_s, reason=row.reason)
            if row.battery_bad is not None:
                self.battery_bad = row.battery_bad
        self.pressed = False
        return done + self._show(figures)

    def _note(self, figures: Sequence[float], t_s: float) -> None:
        """Since when each thing that must hold for a while has held."""
        spec, state, filtered = self.spec, self.state, figures[UPS_FILTERED]
        self._mains_since_s = min(self._mains_since_s, t_s) if self.mains_on else math.inf
        running, alone = state in RUNNING, state in (BATTERY, LOW)
        self.low.note(running and filtered < spec.cutoff_at(self.ac_w), t_s)
        self.warned.note(state == BATTERY and spec.warns and filtered < spec.warn_v, t_s)
        self.over.note(alone and self.ac_w > spec.overload_share * spec.rated_w, t_s)
        self.light.note(alone and self.ac_w < spec.light_load_w, t_s)

    def _show(self, figures: Sequence[float]) -> list[str]:
        """Bring lamps, beeper and output up to date; words for what changed."""
        done, spec = [], self.spec
        if self.warning != (self.state == LOW):
            self.warning = self.state == LOW
            done.append(f"ups: warning {'on' if self.warning else 'off'}")
        if spec.above_high == "abnormal":
            level = spec.high_v - (HIGH_GAP_V if self.abnormal else 0.0)
            self._set_abnormal(self.state in RUNNING and figures[UPS_FILTERED] > level, done)
        elif spec.above_high == "fault":
            self._set_abnormal(self.state == LATCHED and self.off_reason == "input over-voltage", done)
        out = self.ac_out or self.state == TRANSFER
        if out != self._told_out:
            self._told_out = out
            done.append(f"ups: output {'on' if out else 'off'}")
        return done

    def _set_abnormal(self, abnormal: bool, done: list[str]) -> None:
        if abnormal != self.abnormal:
            self.abnormal = abnormal
            done.append(f"ups: output {'abnormal' if abnormal else 'normal'}")

    def _enter(self, state: str, t_s: float, *, reason: str = "") -> None:
        came_from, self.state, self.entered_s, self.off_reason = self.state, state, t_s, reason
        if state == MAINS:
            self.charger.start(t_s, boost=came_from not in (SELF_TEST, MAINS))
            if came_from == NO_BATTERY:
                late = self.self_test_due_s <= t_s
                self.self_test_due_s = t_s + self.spec.selftest_after_s if late else self.self_test_due_s
            else:
                after_s = math.inf if came_from == SELF_TEST else self.spec.selftest_after_s
                self.self_test_due_s = t_s + after_s
        elif state == NO_BATTERY:
            self.charger.lose_battery(t_s)
        else:
            self.charger.stop()
