"""Interlocks that compare voltmeters: what lies between two of them, and whether they agree where nothing does."""

from __future__ import annotations

import math
from collections import deque

from harness.findings import Facts, Finding, Watch
from harness.interlock import Filter, Interlock, Lasting, middle, said
from harness.limits_settings import SETTINGS
from harness.sample import Sample

NOISE_OHM = 0.0025
"""Half of the noise, peak to peak, a resistance of leads may have at a current worth judging (judgement)."""

WARN_RATIO, WARN_OHM = 1.25, 0.005
"""Copper has 24 % more at 60 K more: no fault, so a word comes above that and some milliohm of clamps only."""

LOW_RATIO = 0.3
"""Under this share of what it was no current flows through it any more: a sense lead has moved or come off."""

IN_A_ROW = 6
"""One more than it takes to find a setting that was changed from outside, which then explains the volts better."""

JOINTS_OHM = 0.010
"""Clamps, a fuse and its holder beside the declared leads may have this much together (judgement)."""


class LeadResistance(Interlock):
    """Leads and joints up to the instrument: far more resistance than before, or far less, for 10 s."""

    words = "lead resistance"
    settable = (SETTINGS["lead_ratio"], SETTINGS["joint_watts"])

    def __init__(self, facts: Facts) -> None:
        self._ratio = facts.envelope.limit("lead_ratio")
        self._watts = facts.envelope.limit("joint_watts")
        self._last: deque[float] = deque(maxlen=5)
        self._outside, self._high = Lasting(10.0), Lasting(10.0)
        self._warned = False

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.joint_ohm != watch.joint_ohm:
            return None  # too little current to tell, or volts missing
        self._last.append(watch.joint_ohm)
        ohm = middle(self._last)
        before, declared, amps = watch.joint_before_ohm, watch.joint_declared_ohm, abs(watch.active_amps)
        doubt = watch.joint_doubt_ohm
        full = len(self._last) == self._last.maxlen
        why = self._why(ohm, before, declared, amps, NOISE_OHM + doubt) if full else ""
        if self._outside.full(not why, sample.elapsed_s):
            return Finding(
                self.words, f"{1000 * ohm:.1f} mohm at {amps:.2f} A: {why}; look at joints, clips and sense leads"
            )
        high = full and not (ohm <= WARN_RATIO * before + WARN_OHM + doubt or before != before)
        if self._high.full(not high, sample.elapsed_s) and not self._warned:
            self._warned = True
            self.warning = f"lead resistance: {1000 * ohm:.1f} mohm, {1000 * before:.1f} mohm at the beginning"
        return None

    def _why(self, ohm: float, before: float, declared: float, amps: float, slack: float) -> str:
        """What is wrong, "" when nothing is, ``slack`` ohm allowed. What was not known before, or is not declared, is
        nan and not compared."""
        if before == before:
            if not (ohm <= self._ratio * before + slack):
                return f"{1000 * before:.1f} mohm at the beginning, limit {self._ratio:g} times"
            if not (ohm >= LOW_RATIO * before - slack):
                return f"{1000 * before:.1f} mohm at the beginning, limit {LOW_RATIO:g} times"
            if not (amps * amps * (ohm - before - slack) <= self._watts):
                return f"{amps * amps * (ohm - before):.1f} W more than at the beginning, limit {self._watts:g} W"
        if declared == declared:
            if not (ohm <= self._ratio * declared + JOINTS_OHM + slack):
                limit = f"limit {self._ratio:g} times and {1000 * JOINTS_OHM:g} mohm"
                return f"lead_mohm {1000 * declared:.1f} declared, {limit}"
            if not (ohm >= LOW_RATIO * declared - WARN_OHM - slack):
                return f"lead_mohm {1000 * declared:.1f} declared, limit {LOW_RATIO:g} times"
            extra_w = amps * amps * (ohm - WARN_RATIO * declared - WARN_OHM - slack)
            if not (extra_w <= self._watts):
                return f"{extra_w:.1f} W more than {1000 * declared:.1f} mohm declared explain, limit {self._watts:g} W"
        return ""


class VoltmetersAgree(Interlock):
    """Two voltmeters on one node are farther apart than both their accuracies allow, six samples in a row."""

    words = "voltmeters disagree"
    settable = (SETTINGS["voltmeters_apart_mv"],)

    def __init__(self, facts: Facts) -> None:
        self._apart_v = facts.envelope.limit("voltmeters_apart_mv") / 1000.0
        self._filters: dict[str, Filter] = {}

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        volts = sample.pack_volts
        if volts != volts:
            return None
        for name, other in watch.volts_elsewhere.items():
            if other != other:
                continue
            allowed = watch.volts_doubt.get(name, math.nan) + self._apart_v
            if self._filters.setdefault(name, Filter(IN_A_ROW)).full(abs(other - volts) <= allowed):
                limit = said(1000 * allowed, "mV", digits=0)
                text = f"{volts:.3f} V, {name} says {other:.3f} V, limit {limit} apart"
                return Finding(self.words, f"{text}; one of them is wrong, or a sense lead is off", doubts_volts=True)
        return None
