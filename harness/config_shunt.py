"""A meter across a shunt in the pack's lead: what the shunt is, and how well a current is known by the two."""

from __future__ import annotations

from dataclasses import dataclass

from harness.keys import Keys
from harness.uncertainty import ASSUMED_READING_PCT, AccuracyTerms

SHUNT_KEYS = ("shunt_mohm", "shunt_accuracy_pct", "shunt_inverted")


@dataclass(frozen=True, slots=True)
class ShuntEntry:
    """``mohm`` and how far it may be off, %; None where the file does not say. Wired so that volts are positive while
    current leaves the pack, unless ``inverted``."""

    mohm: float
    accuracy_pct: float | None
    inverted: bool

    @property
    def ohm(self) -> float:
        """Resistance, ohm; negative where it is wired the other way round, so that volts over it are amps."""
        return (-1.0 if self.inverted else 1.0) * self.mohm / 1000.0

    def amps_accuracy(self, volts: AccuracyTerms) -> AccuracyTerms:
        """Accuracy of the amps: the shunt's tolerance is added to the meter's share of the reading, not in quadrature,
        since both are limits."""
        off_pct = ASSUMED_READING_PCT if self.accuracy_pct is None else self.accuracy_pct
        return AccuracyTerms(
            volts.reading_pct + off_pct,
            volts.range_pct,
            volts.range_ / abs(self.ohm),
            assumed=volts.assumed or self.accuracy_pct is None,
        )


def read_shunt(keys: Keys) -> ShuntEntry | None:
    """The shunt of a meter with ``measures = "shunt"``; None for any other, where these keys are refused."""
    if not (keys.has("measures") and keys.text("measures", accepted="a text") == "shunt"):
        for key in SHUNT_KEYS:
            if keys.has(key):
                keys.refuse(key, "only a meter across a shunt has one", 'write measures = "shunt", or take it out')
        return None
    if not keys.has("volts_range"):
        keys.refuse("volts_range", "missing, a shunt is read on a range of some mV", "add its full scale in V")
    return ShuntEntry(
        mohm=keys.number("shunt_mohm", unit="mohm", low=0.001, high=1000.0),
        accuracy_pct=keys.number_or_none("shunt_accuracy_pct", unit="%", low=0.0, high=10.0),
        inverted=keys.flag("shunt_inverted", default=False),
    )
