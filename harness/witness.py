"""The witness of an off: pack volts, which an instrument that only says that it is off cannot feign."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from harness.rig import Rig

REBOUND_WAIT_S = 2.0
APART_S = 0.2
RISE_LIMIT_V = 0.020
LEAST_AMPS = 0.05
OPEN_V = 2.0
"""Under this the terminals are open or asleep and tell nothing."""


@dataclass(frozen=True, slots=True)
class Before:
    """What was known just before off: phase, current of the energised instrument (A), pack volts under that current,
    and the step resistance seen when it was switched on (ohm); nan what is not known."""

    phase: str = "unknown"
    amps: float = math.nan
    pack_volts: float = math.nan
    step_ohm: float = math.nan


class Witness:
    """Asked again with every pass of one off. ``who`` is ``none`` until it has said something.

    ``wait`` passes bench time and never raises.
    """

    def __init__(self, rig: Rig, before: Before, *, wait: Callable[[float], None]) -> None:
        self._rig, self._before, self._wait = rig, before, wait
        self.who = "none"
        self.lines: list[str] = []
        self.volts = math.nan
        self._dead = False

    def ask(self) -> bool | None:
        """True: seen off. False: contradicts. ``None``: says nothing."""
        before = self._before
        self.lines = []
        volts = self._read()
        if math.isnan(volts) or math.isnan(before.pack_volts) or before.phase not in ("sink", "source"):
            return None
        if before.phase == "source":
            off = volts <= before.pack_volts + RISE_LIMIT_V
            word = "not rising" if off else "RISING"
            return self._said(off, f"pack {before.pack_volts:.3f} V before, {volts:.3f} V after: {word}")
        # Half the step seen when this current was switched on: R0 alone, without what builds up in minutes.
        needed = 0.5 * before.amps * before.step_ohm
        if not before.amps > LEAST_AMPS or before.pack_volts < OPEN_V or not needed > 0:
            return None
        volts = self._highest(volts, before.pack_volts + needed)
        off = volts >= before.pack_volts + needed
        if self._dead and not off:
            return None
        word = "rebounded" if off else "did NOT rebound"
        text = f"pack {word}: {before.pack_volts:.3f} V to {volts:.3f} V, at least {1000 * needed:.0f} mV expected"
        return self._said(off, text)

    def _read(self) -> float:
        """Pack volts; a voltmeter that did not answer is not asked again in this off."""
        if not self._dead:
            self.volts = self._rig.pack_volts()
            self._dead = math.isnan(self.volts)
        return math.nan if self._dead else self.volts

    def _highest(self, volts: float, enough: float) -> float:
        """The highest reading until ``enough`` was seen, or ``REBOUND_WAIT_S`` is over."""
        for _ in range(round(REBOUND_WAIT_S / APART_S)):
            if volts >= enough or self._dead:
                break
            self._wait(APART_S)
            again = self._read()
            volts = volts if math.isnan(again) else max(volts, again)
        return volts

    def _said(self, off: bool, text: str) -> bool:
        place = self._rig.place
        assert place is not None
        active = self._rig.load_name if self._before.phase == "sink" else self._rig.supply_name
        self.who = "same instrument" if place.name == active else f"other instrument ({place.name})"
        self.lines = [f"{text} ({self.who})"]
        return off
