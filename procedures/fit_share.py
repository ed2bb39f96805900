"""How full a charger leaves the pack: the charge at which the pack, rested, stands at the charger's ceiling.

It is read off the pack's own charge: rested volts are taken as volts less current times resistance, so the gap between
charge and discharge is not in doubt; the charge branch itself was measured. It is what a long float comes to; after a
shorter time the pack holds less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.fit_curves import Floats

AT, AT_LEAST, AT_MOST = "", "at least", "at most"


@dataclass(frozen=True, slots=True, eq=False)
class ChargeCurve:
    """A charge that ended full: ``volts`` (V, pack terminals) and ``amps`` (A into the pack) over ``missing_ah``, the
    charge that was still to come (Ah, falling to 0). Raises ValueError for columns that are no charge."""

    run: str
    missing_ah: Floats
    volts: Floats
    amps: Floats

    def __post_init__(self) -> None:
        columns = (self.missing_ah, self.volts, self.amps)
        made = len({len(column) for column in columns}) == 1 and len(self.missing_ah) >= 2
        if not (made and all(np.all(np.isfinite(c)) for c in columns) and bool(np.all(np.diff(self.missing_ah) < 0))):
            raise ValueError(f"{self.run}: no charge: 2 points or more, finite, the charge still to come falling to 0")

    def rested(self, ohm: float) -> Floats:
        """Volts without the drop over ``ohm``, made to rise: a charge never lowers them."""
        return np.maximum.accumulate(self.volts - self.amps * ohm)


def missing_at(curve: ChargeCurve, *, volts: float, ohm: float) -> tuple[float, str]:
    """Charge missing to full when the rested pack stands at ``volts`` (V), Ah, and ``AT``; with volts above the end of
    the charge 0 and ``AT_MOST``, below its beginning what was missing there and ``AT_LEAST``."""
    rested = curve.rested(ohm)
    if not volts >= rested[0]:
        return float(curve.missing_ah[0]), AT_LEAST
    if volts > rested[-1]:
        return 0.0, AT_MOST
    after = int(np.searchsorted(rested, volts))
    if after == 0:
        return float(curve.missing_ah[0]), AT
    step = rested[after] - rested[after - 1]
    way = (volts - rested[after - 1]) / step if step > 0 else 1.0
    return float(curve.missing_ah[after - 1] + way * (curve.missing_ah[after] - curve.missing_ah[after - 1])), AT
