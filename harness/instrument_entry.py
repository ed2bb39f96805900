"""One instrument of the bench: what it is, where it answers, how it is wired and how well it measures."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from drivers.wire_visa import SerialLine
from harness.config_shunt import ShuntEntry
from harness.uncertainty import ASSUMED_RANGE_PCT, ASSUMED_READING_PCT, AccuracyTerms
from harness.wiring import MOST_AMPS, lead_ohm

ASSUMED_VOLTS_RANGE = 100.0
ASSUMED_AMPS_RANGE = 50.0
"""Full scale taken where neither a range nor a limit is given: large for a bench of small UPSs, so not too hopeful."""

ASSUMED_TEMP_K = 2.5
"""Half-width taken where a thermometer's accuracy is not given: type K, class 2 (IEC 60584-1, from memory)."""


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """An instrument as the bench file says. V, A, W, ohm, mohm, m, mm2, K; None or "" where the file does not say.

    ``measures``: the terminals a meter is wired to, or what a thermometer sits on. ``lead_mohm``: both conductors
    together. ``dialect``: a shipped name, or the full path of a dialect file. ``off_bleed_ohm``: what a supply's idle
    output drains a pack through. ``switches``: what a switch interrupts, the UPS's mains, its AC load, or the pack.
    ``senses``: what closes a contact, the UPS's warning or its live output. ``channel``: which one of an instrument
    with several. ``line``: settings of a serial port, None for another address. ``shunt``: what a meter that measures
    current is wired across.
    """

    name: str
    role: str
    address: str
    dialect: str
    identity: str
    measures: str
    sense: str
    lead_mohm: float | None
    lead_length_m: float | None
    lead_mm2: float | None
    max_volts: float | None
    max_amps: float | None
    max_watts: float | None
    volts_range: float | None
    amps_range: float | None
    volts_accuracy_reading_pct: float | None
    volts_accuracy_range_pct: float | None
    amps_accuracy_reading_pct: float | None
    amps_accuracy_range_pct: float | None
    temp_accuracy_k: float | None
    calibrated: datetime.date | None
    asset: str
    serial: str
    own_low_volts_stop: bool
    own_over_volts_stop: bool
    off_bleed_ohm: float | None
    switches: str = ""
    senses: str = ""
    channel: int | None = None
    line: SerialLine | None = None
    shunt: ShuntEntry | None = None

    @property
    def is_voltmeter(self) -> bool:
        """Whether it reads the volts of a node of the bench: not a meter across a shunt."""
        return self.role in ("supply", "load") or (self.role == "meter" and self.shunt is None)

    @property
    def lead_ohm(self) -> float | None:
        """Both conductors together, ohm at 20 degC; None where the file does not say."""
        if self.lead_mohm is not None:
            return self.lead_mohm / 1000.0
        if self.lead_length_m is not None and self.lead_mm2 is not None:
            return lead_ohm(length_m=self.lead_length_m, mm2=self.lead_mm2)
        return None

    @property
    def lead_amps_max(self) -> float | None:
        """Most current of the leads' cross-section, A; None where the file gives a resistance only, or nothing."""
        return MOST_AMPS[self.lead_mm2] if self.lead_mm2 is not None else None

    @property
    def volts_accuracy(self) -> AccuracyTerms:
        """Accuracy of its volts; the assumed class where not given."""
        range_ = self.volts_range or self.max_volts or ASSUMED_VOLTS_RANGE
        return _terms(self.volts_accuracy_reading_pct, self.volts_accuracy_range_pct, range_)

    @property
    def amps_accuracy(self) -> AccuracyTerms:
        """Accuracy of its amps; the assumed class where not given. Of a meter on a shunt that of both together."""
        if self.shunt is not None:
            return self.shunt.amps_accuracy(self.volts_accuracy)
        range_ = self.amps_range or self.max_amps or ASSUMED_AMPS_RANGE
        return _terms(self.amps_accuracy_reading_pct, self.amps_accuracy_range_pct, range_)

    @property
    def temp_accuracy(self) -> AccuracyTerms:
        """Accuracy of its temperature, K."""
        given = self.temp_accuracy_k
        return AccuracyTerms(0.0, 0.0, 0.0, assumed=given is None, fixed=ASSUMED_TEMP_K if given is None else given)


def _terms(reading_pct: float | None, range_pct: float | None, range_: float) -> AccuracyTerms:
    if reading_pct is None and range_pct is None:
        return AccuracyTerms(ASSUMED_READING_PCT, ASSUMED_RANGE_PCT, range_, assumed=True)
    return AccuracyTerms(reading_pct or 0.0, range_pct or 0.0, range_)
