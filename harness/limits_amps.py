"""The most current of a run: the least of what pack, fuse, leads and instruments bear, and which of them it is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from harness.config_bench import BenchFile
from harness.config_pack import PackFile
from harness.errors import PlanRefused
from harness.instrument_entry import InstrumentEntry

FUSE_SHARE = 0.75
"""A fuse is loaded to three quarters for hours on end (common practice, no source)."""

Limit = tuple[str, float | None]


def most_amps(pack: PackFile, bench: BenchFile, *, target_v: float) -> dict[str, Any]:
    """Most current out of the pack and into it, A, each with what bounds it. Raises PlanRefused."""
    amps, amps_from = least_amps(_discharge_limits(pack, bench, target_v=target_v))
    charge_amps, charge_from = least_amps(_charge_limits(pack, bench))
    return {
        "amps_max": amps,
        "amps_from": amps_from,
        "charge_amps_max": charge_amps,
        "charge_amps_from": charge_from,
    }


def least_amps(limits: Iterable[Limit]) -> tuple[float, str]:
    """The smallest limit there is and what it comes from. Raises PlanRefused for one not finite or not above 0."""
    known = [(value, name) for name, value in limits if value is not None]
    for value, name in known:
        if not (math.isfinite(value) and value > 0):
            raise PlanRefused(f"limits: {name} = {value:g}: not a finite number above 0; put the file right")
    return min(known, key=lambda pair: pair[0])


def shared_limits(bench: BenchFile, entry: InstrumentEntry | None) -> list[Limit]:
    """What fuse, instrument ``entry`` and its leads bear, A, each with its name."""
    fuse = bench.fuse_amps
    limits: list[Limit] = [] if fuse is None else [(f"{FUSE_SHARE:g} x fuse of {fuse:g} A", FUSE_SHARE * fuse)]
    if entry is not None:
        limits += [
            (f"max_amps of {entry.name}", entry.max_amps),
            (f"amps_range of {entry.name}", entry.amps_range),
            (f"leads of {entry.name}, {entry.lead_mm2} mm2", entry.lead_amps_max),
        ]
    return limits


def _discharge_limits(pack: PackFile, bench: BenchFile, *, target_v: float) -> list[Limit]:
    load = bench.one("load")
    limits = [("pack file", pack.discharge_amps_max), *shared_limits(bench, load)]
    if load is not None and load.max_watts is not None:
        # A discharge begins below the charge target, so the load is within its watts from the first second on.
        limits.append((f"max_watts of {load.name} at {target_v:g} V", load.max_watts / target_v))
    return limits


def _charge_limits(pack: PackFile, bench: BenchFile) -> list[Limit]:
    supply = bench.one("supply")
    limits = [("pack file", pack.charge_amps_max), *shared_limits(bench, supply)]
    if supply is not None and supply.max_watts is not None:
        limits.append((f"max_watts of {supply.name}", supply.max_watts / pack.charge_volts_max))
    return limits
