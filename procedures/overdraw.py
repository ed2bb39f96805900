"""The fold that sees more flow into a UPS than its inverter draws: its AC load was changed, or something else, a pack
above all, was put on the node. Both end the sweep: it is not the same UPS any more that it was begun on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from procedures.floor_fold import SUPPLY_LIMIT
from procedures.stand_in import UpsRow

TOO_MUCH = "drew far more than before"

TOO_MUCH_SHARE = 2.0
"""Over so much of the power it draws on battery (judgement: an inverter's own draw does not double with the volts)."""

ROWS = 2
LIMITED_ROWS = 3


@dataclass(slots=True)
class OverdrawFold:
    """``reason`` is set once two rows in a row are over, or three in a row at the supply's limit."""

    reason: str = ""
    _over: int = 0
    _limited: int = 0

    def push(self, row: UpsRow, *, expected_w: float) -> None:
        """One row; ``expected_w`` (W) is what the inverter draws, as far as it is known. Readings that are missing
        decide nothing."""
        if not (math.isfinite(row.volts) and math.isfinite(row.amps)):
            return
        self._over = self._over + 1 if row.volts * row.amps > TOO_MUCH_SHARE * expected_w else 0
        self._limited = self._limited + 1 if row.mode == "cc" else 0
        if self._over >= ROWS:
            self.reason = self.reason or TOO_MUCH
        elif self._limited >= LIMITED_ROWS:
            self.reason = self.reason or SUPPLY_LIMIT
