"""The witness of an off: pack volts, which an instrument that only says that it is off cannot feign.

A pack steps back when its current ends: up after a discharge, down after a charge, by its resistance times the
current. How large the step was is known from switching on. Where it is too small to be told, after a charge it is
still seen that the volts do not rise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness.mains_away import WORDS, MainsAway
from harness.rig import Rig

WAIT_S = 2.0
APART_S = 0.2
SHARE = 0.5
"""Share of the step at switch-on that must be seen: half, since resistance changes with charge and warmth."""

LEAST_STEP_V = 0.005
"""Smaller steps are not told from noise."""

RISE_LIMIT_V = 0.020
BACK = {"sink": ("rebounded", "did NOT rebound"), "source": ("fell back", "did NOT fall back")}
"""Phase -> how the pack steps back, and how it is said when it does not."""

DEAD_V = 1.0
"""Under this a node without a pack on it is dead, V."""

FALL_S = 10.0
HELD_SHARE = 0.995
"""A node that after ``FALL_S`` still has this share of its volts is held up by something (judgement)."""

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
    mains: bool | None = None
    """Whether a UPS on the bench has mains; ``None``: not known, or no UPS."""
    cause: str = ""
    """``volts`` when the volts or a current the wrong way were what ended it, ``amps`` when too much current was."""
    elsewhere: Mapping[str, float] = field(default_factory=dict)
    """What the other voltmeters read under that current, by instrument, V."""
    doubted: bool = False
    """A voltmeter is what ended it: that of the pack may not contradict where another one steps back."""

    @property
    def order(self) -> str:
        """Key of the table of orders of switching off."""
        if self.phase == "trace" and self.cause == "amps":
            return "trace, amps"
        if self.phase != "stand-in" or self.mains is False:
            return self.phase
        return "stand-in, mains on, volts" if self.cause == "volts" else "stand-in, mains on"

    @property
    def step_v(self) -> float:
        """How far the pack's volts must come back to prove that the current has ended, V; nan when not known."""
        return SHARE * self.amps * self.step_ohm


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
        self._mains = MainsAway(rig, wait=wait)

    def ask(self) -> bool | None:
        """True: seen off. False: contradicts. ``None``: says nothing."""
        before = self._before
        self.lines = []
        if before.phase in ("stand-in", "trace") or (before.phase == "unknown" and self._rig.subject == "ups"):
            return self._node()
        volts = self._read()
        if math.isnan(volts) or not before.pack_volts >= OPEN_V or before.phase not in ("sink", "source"):
            return None
        if before.step_v >= LEAST_STEP_V:
            return self._step(before)
        if before.phase == "sink":
            return None
        off = volts <= before.pack_volts + RISE_LIMIT_V
        word = "not rising" if off else "RISING"
        return self._said(off, f"pack {before.pack_volts:.3f} V before, {volts:.3f} V after: {word}")

    def _step(self, before: Before) -> bool | None:
        up = 1.0 if before.phase == "sink" else -1.0

        def seen() -> bool:
            return up * (self.volts - before.pack_volts) >= before.step_v

        for _ in range(round(WAIT_S / APART_S)):
            if seen() or self._dead:
                break
            self._wait(APART_S)
            self._read()
        if self._dead:
            return None
        off = seen()
        if not off and before.doubted and (other := self._seen_elsewhere(before, up)):
            return self._said(True, other[1], by=other[0])
        word = BACK[before.phase][0 if off else 1]
        text = f"pack {word}: {before.pack_volts:.3f} V to {self.volts:.3f} V"
        return self._said(off, f"{text}, at least {1000 * before.step_v:.0f} mV expected")

    def _seen_elsewhere(self, before: Before, up: float) -> tuple[str, str] | None:
        """Which other voltmeter has seen the step back, and in words; ``None`` when none has."""
        now = self._rig.volts_elsewhere()
        for name, volts in before.elsewhere.items():
            if up * (now.get(name, math.nan) - volts) >= before.step_v:
                word = BACK[before.phase][0]
                text = f"pack {word} by {name}: {volts:.3f} V to {now[name]:.3f} V; its own voltmeter is doubted"
                return name, text
        return None

    def _node(self) -> bool | None:
        """No pack is on the node: once nothing drives it any more, it is dead or falls. A lead that has come off also
        reads 0 V: no other voltmeter may see it live."""
        first, by = volts, who = self._read_node()
        for _ in range(round(FALL_S)):
            if math.isnan(volts) or abs(volts) < DEAD_V:
                break
            self._wait(1.0)
            volts, who = self._read_node()
            first, by = (first, by) if who == by else (volts, who)  # two voltmeters say nothing of a fall
        if math.isnan(volts):
            return None
        off, text = self._node_words(first, volts)
        if off and not self._mains.still_there():
            return self._node_off(text, by=who)
        if off:
            text = f"{text}, {WORDS}"
        if self._rig.switch("mains") is None:
            # Whoever switches it by hand may have switched it back on: then it is asked for again.
            self._rig.switched["mains"] = None
            text = text.removesuffix(": HELD UP by something")
            self.lines = [f"{text}: the UPS's charger is live on an open node until its mains is switched off by hand"]
            return None
        return self._said(False, text if off or who else f"{text}{self._alone_words()}", by=who)

    def _alone_words(self) -> str:
        """What is to be looked at where every other voltmeter sees a dead node. It outweighs nothing: a supply that is
        off may measure behind its own relay, where it sees no charger."""
        name, most = self._rig.highest_elsewhere()
        if not most < DEAD_V:
            return ""
        return f"; no other voltmeter sees more than the {most:.3f} V of {name}: look whether this one stands still"

    def _node_words(self, first: float, volts: float) -> tuple[bool, str]:
        """Whether the node of a UPS is off by its volts, and in words."""
        text = f"node {first:.3f} V to {volts:.3f} V in {FALL_S:g} s"
        if abs(volts) < DEAD_V:
            other, elsewhere = self._rig.highest_elsewhere()
            if not elsewhere >= OPEN_V:
                return True, f"node at {volts:.3f} V: dead"
            text = f"node at {volts:.3f} V, but {other} reads {elsewhere:.3f} V"
        elif abs(volts) <= HELD_SHARE * abs(first):
            return True, f"{text}: falling, nothing drives it"
        return False, f"{text}: HELD UP by something"

    def _node_off(self, text: str, *, by: str) -> bool | None:
        """Seen off. Another voltmeter than the one that is meant for it does not outweigh what that one has said."""
        off = self._said(True, text, by=by)
        return None if by else off

    def _read_node(self) -> tuple[float, str]:
        """Volts of a UPS's node, and who says so, "" when it is the voltmeter that is meant for it. Where that one does
        not answer any more, the others' highest: a charger that nobody looks for would pass for none."""
        volts = self._read()
        if not math.isnan(volts):
            return volts, ""
        name, self.volts = self._rig.highest_elsewhere()
        return self.volts, name

    def _read(self) -> float:
        """Pack volts; a voltmeter that did not answer is not asked again in this off."""
        if not self._dead:
            volts = self._rig.pack_volts()
            self._dead = math.isnan(volts)
            self.volts = self.volts if self._dead else volts
        return math.nan if self._dead else self.volts

    def _said(self, off: bool, text: str, *, by: str = "") -> bool:
        place = self._rig.place
        by = by or ("" if place is None else place.name)
        active = self._rig.load_name if self._before.phase in ("sink", "trace") else self._rig.supply_name
        self.who = "same instrument" if by == active else f"other instrument ({by})"
        self.lines = [f"{text} ({self.who})"]
        return off
