"""What counts as no current on each instrument."""

from __future__ import annotations

from harness.config import BenchFile

ZERO_AMPS_MOST = 0.100
"""Most that may ever pass for no current, A (judgement)."""


def zero_limits(bench: BenchFile) -> dict[str, float]:
    """What counts as no current on each instrument, A: 20 mA or three times its stated offset, the larger, but never
    more than ``ZERO_AMPS_MOST``: a wider ammeter could call a current that flows none."""
    return {
        entry.name: min(ZERO_AMPS_MOST, max(0.020, 3.0 * entry.amps_accuracy.half_width(0.0)))
        for entry in bench.instruments
        if entry.role in ("supply", "load")
    }
