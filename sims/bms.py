"""The battery management system: rules with delays and releases, two switches, their body diodes, sleep and waking.

Every rule is a condition that must hold for its delay without a break; then it opens a path until its release is seen.
Levels and delays are ours, within what is common practice (no source); each is a parameter.

Not modelled: measuring error and sampling of its own, pre-discharge, a fuse, current flowing while a switch moves, the
switches' own heat; its quiescent current is part of self-discharge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sims.events import CELL_MAX, CELL_MIN, PACK_AMPS, PACK_OVER, PACK_VOLTS, TEMP_MAX, TEMP_MIN, Limits
from sims.hold import Condition

NO_CHARGE_AMPS = 0.01
"""Below this charge current the pack counts as not being charged, A."""

SEEN_AMPS = 0.1
"""A current, or a load behind open switches, counts as seen from here on, A."""

CHARGER_VOLTS = 0.3
"""A charger counts as seen when it lifts the terminals this far above the cells, V."""


@dataclass(frozen=True, slots=True)
class Rule:
    """All of ``when`` for ``delay_s`` opens the path(s); any of ``release``, or the two flags, closes them again."""

    what: str
    when: tuple[Condition, ...]
    delay_s: float
    opens: str
    release: tuple[Condition, ...] = ()
    release_after_s: float = math.inf
    release_without_load: bool = False
    sleeps: bool = False

    def __deepcopy__(self, memo: object) -> Rule:
        return self


@dataclass(frozen=True, slots=True)
class BmsSpec:
    """Levels in V per cell, A, degC; delays in s. A rule is left out when its level is infinite.

    Fast over-currents are as an LFP pack of 10 Ah has them: scale them with the pack.
    """

    cell_high_volts: float = 3.65
    cell_high_delay_s: float = 1.0
    cell_high_release_volts: float = 3.45
    cell_low_volts: float = 2.50
    cell_low_delay_s: float = 1.0
    cell_low_release_volts: float = 2.80
    sleep_delay_s: float = 60.0
    amps_slow: float = 20.0
    amps_slow_delay_s: float = 8.0
    amps_slow_release_s: float = 30.0
    amps_fast: float = 40.0
    amps_fast_delay_s: float = 0.05
    amps_short: float = 150.0
    amps_short_delay_s: float = 0.0003
    charge_amps: float = 10.0
    charge_amps_delay_s: float = 5.0
    charge_amps_release_s: float = 30.0
    charge_cold_c: float = 0.0
    charge_cold_release_c: float = 5.0
    charge_hot_c: float = 45.0
    discharge_hot_c: float = 60.0
    hot_release_k: float = 10.0
    temp_delay_s: float = 2.0
    wake_volts: float = 1.5
    wake_delay_s: float = 0.1
    bypass_amps: float = 0.2

    def rules(self) -> tuple[Rule, ...]:
        """The rules that are in force."""
        every = (*self._volt_rules(), *self._amp_rules(), *self._temperature_rules())
        return tuple(r for r in every if math.isfinite(r.when[0].level) and math.isfinite(r.delay_s))

    def _volt_rules(self) -> tuple[Rule, ...]:
        charger = Condition(PACK_OVER, True, CHARGER_VOLTS)
        idle = Condition(PACK_AMPS, True, -NO_CHARGE_AMPS)
        low = Condition(CELL_MIN, False, self.cell_low_volts)
        return (
            Rule(
                "cell over-voltage",
                (Condition(CELL_MAX, True, self.cell_high_volts), Condition(PACK_AMPS, False, SEEN_AMPS)),
                self.cell_high_delay_s, "charge",
                (Condition(CELL_MAX, False, self.cell_high_release_volts), Condition(PACK_AMPS, True, SEEN_AMPS)),
            ),
            Rule(
                "cell under-voltage", (low, idle), self.cell_low_delay_s, "discharge",
                (Condition(CELL_MIN, True, self.cell_low_release_volts), charger),
            ),
            Rule("under-voltage for long, asleep", (low, idle), self.sleep_delay_s, "both", sleeps=True),
        )  # fmt: skip

    def _amp_rules(self) -> tuple[Rule, ...]:
        return (
            Rule(
                "discharge over-current", (Condition(PACK_AMPS, True, self.amps_slow),), self.amps_slow_delay_s,
                "discharge", release_after_s=self.amps_slow_release_s, release_without_load=True,
            ),
            Rule(
                "high discharge over-current", (Condition(PACK_AMPS, True, self.amps_fast),), self.amps_fast_delay_s,
                "discharge", release_without_load=True,
            ),
            Rule(
                "short circuit", (Condition(PACK_AMPS, True, self.amps_short),), self.amps_short_delay_s, "discharge",
                (Condition(PACK_OVER, True, CHARGER_VOLTS),), release_without_load=True,
            ),
            Rule(
                "charge over-current", (Condition(PACK_AMPS, False, -self.charge_amps),), self.charge_amps_delay_s,
                "charge", release_after_s=self.charge_amps_release_s,
            ),
        )  # fmt: skip

    def _temperature_rules(self) -> tuple[Rule, ...]:
        charge_warm_c, warm_c = self.charge_hot_c - self.hot_release_k, self.discharge_hot_c - self.hot_release_k
        return (
            Rule(
                "too cold to charge", (Condition(TEMP_MIN, False, self.charge_cold_c),), self.temp_delay_s, "charge",
                (Condition(TEMP_MIN, True, self.charge_cold_release_c),),
            ),
            Rule(
                "too hot to charge", (Condition(TEMP_MAX, True, self.charge_hot_c),), self.temp_delay_s, "charge",
                (Condition(TEMP_MAX, False, charge_warm_c),),
            ),
            Rule(
                "too hot", (Condition(TEMP_MAX, True, self.discharge_hot_c),), self.temp_delay_s, "discharge",
                (Condition(TEMP_MAX, False, warm_c),),
            ),
        )  # fmt: skip


class Bms:
    """State of the rules and switches of one pack. Amps > 0 leave the pack."""

    def __init__(self, spec: BmsSpec, *, asleep: bool = False) -> None:
        self.spec = spec
        self.rules = spec.rules()
        self.asleep = asleep
        self.bypass = False
        """The charge switch is on for the time of a discharge only, to spare its diode."""
        self._since_s = [math.inf] * len(self.rules)
        self._tripped_s = [math.inf] * len(self.rules)
        self._wake_since_s = math.inf

    @property
    def tripped(self) -> tuple[str, ...]:
        """The rules that hold a path open."""
        return tuple(r.what for r, t in zip(self.rules, self._tripped_s, strict=True) if math.isfinite(t))

    def _open(self, path: str) -> bool:
        held = (r.opens for r, t in zip(self.rules, self._tripped_s, strict=True) if math.isfinite(t))
        return self.asleep or any(opens in (path, "both") for opens in held)

    @property
    def charge_on(self) -> bool:
        """Is the charge switch on?"""
        return self.bypass or not self._open("charge")

    @property
    def discharge_on(self) -> bool:
        """Is the discharge switch on?"""
        return not self._open("discharge")

    @property
    def awaits_no_load(self) -> bool:
        """Does a release depend on whether a load still pulls?"""
        return any(
            r.release_without_load and math.isfinite(t) for r, t in zip(self.rules, self._tripped_s, strict=True)
        )

    def poll(self, figures: Sequence[float], t_s: float, outside_amps: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently.

        ``outside_amps`` is what everything outside would draw from the cells, A.
        """
        if self.asleep:
            return self._poll_asleep(figures, t_s)
        done: list[str] = []
        for k, rule in enumerate(self.rules):
            if math.isfinite(self._tripped_s[k]):
                if self._released(k, figures, t_s, outside_amps):
                    self._tripped_s[k] = self._since_s[k] = math.inf
                    done.append(f"bms: {rule.what}, released")
                continue
            holds = all(c.holds(figures) for c in rule.when)
            self._since_s[k] = min(self._since_s[k], t_s) if holds else math.inf
            if t_s >= self._since_s[k] + rule.delay_s:
                self._since_s[k] = math.inf
                done.append(self._trip(k, t_s))
                if self.asleep:
                    return done
        bypass = self.discharge_on and self._open("charge") and self._bypass(figures[PACK_AMPS])
        if bypass != self.bypass:
            self.bypass = bypass
            done.append("")
        return done

    def _trip(self, k: int, t_s: float) -> str:
        rule = self.rules[k]
        if rule.sleeps:
            self.asleep, self.bypass = True, False
            return f"bms: {rule.what}, both paths opened"
        self._tripped_s[k] = t_s
        return f"bms: {rule.what}, {rule.opens} path opened"

    def _released(self, k: int, figures: Sequence[float], t_s: float, outside_amps: float) -> bool:
        rule = self.rules[k]
        if t_s >= self._tripped_s[k] + rule.release_after_s:
            return True
        if rule.release_without_load and outside_amps < SEEN_AMPS:
            return True
        return any(c.holds(figures) for c in rule.release)

    def _bypass(self, amps: float) -> bool:
        return amps > self.spec.bypass_amps * (0.5 if self.bypass else 1.0)

    def _poll_asleep(self, figures: Sequence[float], t_s: float) -> list[str]:
        lifted = figures[PACK_VOLTS] > self.spec.wake_volts
        self._wake_since_s = min(self._wake_since_s, t_s) if lifted else math.inf
        if t_s < self._wake_since_s + self.spec.wake_delay_s:
            return []
        self.asleep, self._wake_since_s = False, math.inf
        self._since_s = [math.inf] * len(self.rules)
        self._tripped_s = [math.inf] * len(self.rules)
        return ["bms: woken by a voltage at the terminals"]

    def narrow(self, limits: Limits, figures: Sequence[float]) -> None:
        """Add what the rules wait for to what the world watches."""
        if self.asleep:
            waits = [Condition(PACK_VOLTS, True, self.spec.wake_volts)]
        else:
            waits = []
            for k, rule in enumerate(self.rules):
                waits += rule.release if math.isfinite(self._tripped_s[k]) else rule.when
            if self.discharge_on and self._open("charge"):
                waits.append(Condition(PACK_AMPS, True, self.spec.bypass_amps * (0.5 if self.bypass else 1.0)))
        for c in waits:
            limits.narrow_condition(c.figure, above=c.above, level=c.level, holds=c.holds(figures))

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        if self.asleep:
            return self._wake_since_s + self.spec.wake_delay_s
        due = math.inf
        for k, rule in enumerate(self.rules):
            due = min(due, self._since_s[k] + rule.delay_s, self._tripped_s[k] + rule.release_after_s)
        return due
