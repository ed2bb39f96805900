"""One false reading of the supply's volts while it holds them must not end a charge as a fault of the program."""

from __future__ import annotations

import math

from procedures.charging import END_CURRENT, ChargeFold


def tapered(false_v: float | None) -> ChargeFold:
    """4 A until 100 s, then 14.4 V held while the current goes to under 0.4 A; the reading at 168 s may be false."""
    fold = ChargeFold(end_amps=0.4, period_s=1.0)
    for t_s in range(200):
        amps = 4.0 if t_s < 100 else 4.0 * math.exp(-(t_s - 100) / 25.0)
        volts = min(14.4, 13.4 + 0.01 * t_s)
        held = volts if false_v is None or t_s != 168 else false_v
        fold.push(float(t_s), -amps, volts, held_volts=held)
        if fold.decided:
            break
    assert fold.end_reason == END_CURRENT
    return fold


def test_without_a_false_reading_there_is_a_figure() -> None:
    assert 50.0 < tapered(None).cv_s < 70.0


def test_with_one_there_is_none_rather_than_one_that_cannot_be() -> None:
    cv_s = tapered(28.8).cv_s
    assert math.isnan(cv_s)
