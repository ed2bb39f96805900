"""What one sample says of a UPS while supply or load stand in for its battery, and the levels held meanwhile.

Nothing in here decides; the folds beside it do. Volts (V) at the UPS's battery terminals, amps (A) positive into the
UPS, times in s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from harness.sample import Sample
from procedures.series import Point

REACTION_S = 3.0
"""A person's mark comes up to this long after what it is about (judgement)."""

LAST_S = 1.0
"""Means of a level are taken over its last second."""


@dataclass(frozen=True, slots=True)
class UpsRow:
    """One sample as the folds see it. ``mode``: of the supply, "cv", "cc", "driven", "off" or "" (not known).

    ``mains``, ``output`` (AC output alive) and ``warning``: None where nobody can tell. ``marks``: an operator's.
    """

    t_s: float
    volts: float
    amps: float
    mode: str = "cv"
    mains: bool | None = None
    output: bool | None = None
    warning: bool | None = None
    marks: tuple[str, ...] = ()

    def marked(self, word: str) -> bool:
        """Whether a mark begins with ``word``."""
        return any(mark.casefold().startswith(word) for mark in self.marks)


def ups_row(sample: Sample) -> UpsRow:
    """The row of a sample taken with a UPS on the bench."""
    return UpsRow(
        t_s=sample.elapsed_s,
        volts=sample.pack_volts,
        amps=sample.pack_amps,
        mode=sample.supply_mode,
        mains=sample.mains,
        output=sample.contacts.get("ac-output"),
        warning=sample.contacts.get("warning"),
        marks=sample.marks,
    )


@dataclass(slots=True)
class Level:
    """One set-point and what was read while it was held. ``end_s`` is nan while it is on."""

    set_v: float
    began_s: float
    end_s: float = math.nan
    volts: list[Point] = field(default_factory=list)
    amps: list[Point] = field(default_factory=list)

    def keep(self, row: UpsRow) -> None:
        """One row that counts."""
        self.volts.append((row.t_s, row.volts))
        self.amps.append((row.t_s, row.amps))

    @property
    def last_s(self) -> float:
        """Time of the last row kept, s; the level's beginning before there is one."""
        return self.volts[-1][0] if self.volts else self.began_s

    def last(self, points: list[Point]) -> list[float]:
        """Values in (end - 1 s, end]."""
        return [value for t_s, value in points if t_s > self.last_s - LAST_S]

    @property
    def mean_v(self) -> float:
        """Mean volts over its last second; nan without a row."""
        return _mean(self.last(self.volts))

    @property
    def mean_a(self) -> float:
        """Mean amps over its last second; nan without a row."""
        return _mean(self.last(self.amps))


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values) if values else math.nan


def volts_at_ups(*, set_v: float, watts: float, ohm: float) -> float:
    """Volts at the UPS that draws ``watts`` behind leads of ``ohm`` from a supply at ``set_v``: of the two solutions
    of V = set_v - ohm watts / V the upper one, at which a UPS runs. Below the least volts there are, half of them."""
    under = set_v**2 - 4.0 * ohm * watts
    return 0.5 * (set_v + math.sqrt(under)) if under > 0 else 0.5 * set_v
