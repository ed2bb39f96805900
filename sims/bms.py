"""The battery management system.

Not modelled: (being written; nothing is watched yet).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BmsSpec:
    """Thresholds, V per cell, A, degC, s. inf or nan-free figures only; a rule is off when its level is infinite."""

    cell_high_volts: float = 3.65
    cell_high_delay_s: float = 1.0
    cell_high_release_volts: float = 3.45
    cell_low_volts: float = 2.50
    cell_low_delay_s: float = 1.0
    cell_low_release_volts: float = 2.80
