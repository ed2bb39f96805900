"""Samples that come to an edge of an interlock: one second apart from 100 s on, as changes to good ones."""

from __future__ import annotations

from itertools import cycle, islice
from typing import Any

Samples = list[dict[str, Any]]


def warming(k_per_s: float, seconds: int, *, begin_c: float = 22.0, **more: float) -> Samples:
    return [{"pack_temp_c": begin_c + k_per_s * n, "pack_amps": 6.0, **more} for n in range(seconds)]


def joints(*mohm: float, **more: float) -> Samples:
    return [{"joint_ohm": one / 1000.0, **more} for one in mohm]


def tail(*amps: float, **more: float) -> Samples:
    """A charge at constant volts, each current for one sample."""
    return [{"active_amps": one, "cv_s": 1.0 + n, **more} for n, one in enumerate(amps)]


def lively(seconds: int, *, at: float = 13.0, step: float = 0.001) -> list[float]:
    """A reading with noise over five of its steps, the same every time."""
    return [at + step * k for k in islice(cycle((0, 2, -1, 1, -2, 0, 1, -1, 2, -2)), seconds)]


def reading(values: list[float], *, column: str = "meter_volts", **more: float) -> Samples:
    return [{"readings": {column: one}, **more} for one in values]


def both(pack: list[float], other: list[float], **more: float) -> Samples:
    return [{"pack_volts": a, "volts_elsewhere": {"load": b}, **more} for a, b in zip(pack, other, strict=True)]


def apart(*volts: float, doubt: float = 0.030) -> Samples:
    return [{"volts_elsewhere": {"load": v}, "volts_doubt": {"load": doubt}} for v in volts]


def row(**what: Any) -> dict[str, Any]:
    return what


STANDS = [13.0] * 80
BEFORE = {"joint_before_ohm": 0.016}
ALL = {"joint_before_ohm": 0.016, "joint_declared_ohm": 0.016}
