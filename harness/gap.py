"""A time in which nobody looked: what may have flowed meanwhile, as bounds and never as a number.

Whoever was energised may have gone on to the end of it, or have been off from its first instant on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.digits import duration
from harness.zero_amps import ZERO_AMPS_MOST

SIGN = {"sink": 1.0, "stand-in": 1.0, "source": -1.0, "trace": -1.0}
"""Phase -> which way its current counts: out of the pack, or into the UPS, is positive."""

CHARGE_MOST_SHARE = 1.3
"""No pack gives or takes more than this share of its rated charge (judgement: some are a little better than their
label, and lead-acid takes up to so much more than it gives)."""


@dataclass(frozen=True, slots=True)
class Commanded:
    """What was on as far as is known: the ``phase`` and its set current (A); "rest" when nothing was."""

    phase: str = "rest"
    amps: float = 0.0
    volts: float = 0.0


@dataclass(frozen=True, slots=True)
class Gap:
    """``seconds`` without a look, and between which two the charge of it lies, Ah, signed like ``pack_amps``."""

    seconds: float
    least_ah: float
    most_ah: float
    phase: str = "rest"

    @property
    def words(self) -> str:
        """For a person: the bounds, and where they come from."""
        span = f"between {self.least_ah:.4g} and {self.most_ah:.4g} Ah"
        if self.phase == "rest":
            return f"{span} either way: nothing was switched on, and up to {ZERO_AMPS_MOST:g} A passes for no current"
        where = {"sink": "left the pack", "source": "went into the pack", "stand-in": "went into the UPS"}
        said = where.get(self.phase, "came from the charger")
        return f"{min(abs(self.least_ah), abs(self.most_ah)):.4g} to {self._largest:.4g} Ah {said}, not known better"

    @property
    def _largest(self) -> float:
        return max(abs(self.least_ah), abs(self.most_ah))

    @property
    def event(self) -> dict[str, object]:
        """The fields of a ``gap`` in the record."""
        bounds = {"charge_least_ah": round(self.least_ah, 6), "charge_most_ah": round(self.most_ah, 6)}
        return {"seconds": round(self.seconds, 3), "phase": self.phase, **bounds}


def gap_of(seconds: float, commanded: Commanded, *, rated_ah: float = math.inf) -> Gap:
    """A gap of ``seconds`` (s) under what was ``commanded``. ``rated_ah``: of the pack, where there is one."""
    seconds = max(0.0, seconds)
    sign = SIGN.get(commanded.phase)
    if sign is None:
        most = ZERO_AMPS_MOST * seconds / 3600.0
        return Gap(seconds, -most, most)
    # The band in which an instrument still does what it is set to.
    amps = 1.05 * commanded.amps + 0.05
    most = min(amps * seconds / 3600.0, CHARGE_MOST_SHARE * rated_ah)
    bounds = sorted((0.0, sign * most))
    return Gap(seconds, bounds[0], bounds[1], commanded.phase)


def long_words(seconds: float) -> str:
    """``1:02:03 (h:mm:ss)``; seconds alone under a minute."""
    return f"{seconds:.0f} s" if seconds < 60.0 else f"{duration(seconds)} (h:mm:ss)"
