"""Folds that have ended, made from plain formulas, for the figures' tests."""

from __future__ import annotations

import math

from harness.volts_place import VoltsPlace
from procedures.charging import ChargeFold
from procedures.discharge import DischargeFold
from procedures.rest import RestFold

METER, LOAD = VoltsPlace("meter", "meter", 0.0, 0.0), VoltsPlace("load", "load", 0.0, 1.0)
LOAD_LOCAL = VoltsPlace("load", "load", 0.020, 1.0)
NAN = math.nan


def rest(seconds: int, volts: float, *, from_s: float = 0.0) -> RestFold:
    fold = RestFold()
    for t in range(seconds + 1):
        fold.push(from_s + t, volts)
    return fold


def discharge(*, seconds: int = 18000, amps: float = 1.2, opens_s: int | None = None, gap: bool = False,
              temps: bool = False, end_at_load: float = 0.0) -> DischargeFold:  # fmt: skip
    """12 V flat, in the last 1000 s falling 2 mV/s from 12 V to 10 V at ``seconds``."""
    fold = DischargeFold(set_amps=amps, end_v=10.0, nominal_volts=12.8, period_s=1.0)
    for t in range(seconds + 5):
        if gap and 2000 < t < 2600:
            continue
        on = opens_s is None or t <= opens_s
        volts = min(12.0, 10.0 + 0.002 * (seconds - t)) if on else 0.0
        temp = 20.0 + t / 3600 if temps else NAN
        fold.push(float(t), amps if on else 0.0, volts, end_volts=volts - end_at_load, temp_c=temp)
    assert fold.decided
    return fold


def charge(*, opens: bool = False, full: bool = False, gap: bool = False, amps: float = 4.0) -> ChargeFold:
    fold = ChargeFold(end_amps=0.4, period_s=1.0)
    for t in range(800):
        if gap and 100 < t < 200:
            continue
        tail = amps * math.exp(-(t - 600) / 40)
        now = 0.2 if full else (amps if t < 600 else 0.0 if opens else tail)
        volts = 14.4 if t >= 600 else 14.4 - 0.002 * (600 - t)
        fold.push(float(t), -now, volts, held_volts=volts + 0.001 * (t % 2), temp_c=20.0)
    assert fold.decided
    return fold
