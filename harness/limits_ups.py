"""The envelope of a run on a UPS's battery terminals, where supply or load stand in for the battery.

No cells are on the node, so the floor is the lowest level the plan asks for; the high side is that of the lead-acid
battery the UPS was made for, or of its own charger where that was measured higher.
"""

from __future__ import annotations

from typing import Any

from harness.chemistry import CHEMISTRIES
from harness.config_bench import BenchFile
from harness.config_ups import CEILING_V_CELL, UpsFile
from harness.envelope import NONE_THERE, Envelope
from harness.errors import PlanRefused
from harness.limits import START_TEMP_C, UNATTENDED_TEMP_MAX_C
from harness.limits_amps import least_amps, shared_limits

ROW = CHEMISTRIES["agm"]
CEILING_SHARE = 1.02
"""How far over its measured ceiling a charger may be seen before that is no reading of it (judgement)."""

STEP_V_CELL = 0.05
"""Between the levels above the high one, V per lead-acid cell: the steps of the lead-acid row."""

NOTHING_THERE_AMPS = 1000.0
"""Stands where no instrument is that could carry a current."""

LOWEST_V_CELL = 1.0
"""Under this no UPS made for lead-acid still runs (judgement)."""


def ups_envelope(
    *,
    ups: UpsFile,
    bench: BenchFile,
    lowest_v: float | None = None,
    highest_v: float | None = None,
    ceiling_v: float | None = None,
) -> Envelope:
    """The envelope for standing in for the battery of ``ups``.

    ``lowest_v`` and ``highest_v`` (V) are the plan's levels, ``ceiling_v`` what its charger was measured or is said to
    come to; it raises the trip level, so no more of it is believed than of a label. Raises PlanRefused when they
    cannot be ordered: nothing may be asked above the trip level.
    """
    n = ups.cells_in_series
    high = _high(n, ceiling=ups.label_ceiling_v if ceiling_v is None else ceiling_v)
    lowest = n * LOWEST_V_CELL if lowest_v is None else lowest_v
    # A charge ceiling is traced up to the charger's own volts, wherever they lie below the trip level.
    target = n * ROW.target - 0.01 if highest_v is None else highest_v
    return Envelope(
        chemistry=ROW.name,
        lithium=False,
        cells_in_series=n,
        rated_ah=1.0,
        nominal_v=ups.nominal_dc_volts,
        charge_temp_min_c=ROW.charge_temp_min_c,
        charge_temp_max_c=ROW.charge_temp_max_c,
        discharge_temp_min_c=ROW.discharge_temp_min_c,
        discharge_temp_max_c=ROW.discharge_temp_max_c,
        start_temp_min_c=START_TEMP_C[0],
        start_temp_max_c=START_TEMP_C[1],
        unattended_temp_max_c=UNATTENDED_TEMP_MAX_C,
        attended_only="a UPS hangs on the bench: its output is live and its mains may come back",
        subject="ups",
        **_amps(bench),
        **_volts(n, lowest=lowest, target=target, high=high),
    )


def _high(n: int, *, ceiling: float | None) -> float:
    """The high level, V, of a node whose charger comes to ``ceiling``, where that is known. Raises PlanRefused."""
    most_v = _v(n * CEILING_V_CELL[1])
    if ceiling is not None and not ceiling <= most_v:
        raise PlanRefused(
            f"plan: {ceiling:g} V as charge ceiling: no charger for {n} lead-acid cells comes above {most_v:g} V "
            f"({CEILING_V_CELL[1]:g} V a cell); ask for less, or put nominal_dc_volts right"
        )
    return max(n * ROW.target, CEILING_SHARE * ceiling if ceiling is not None else 0.0)


def _volts(n: int, *, lowest: float, target: float, high: float) -> dict[str, Any]:
    """All levels, V, from the lowest and the highest that are asked for and the high one."""
    return {
        "full_rest_v": _v(n * ROW.full_rest),
        "cut_off_v": _v(lowest),
        "low_v": _v(0.9 * lowest),
        "own_stop_v": _v(0.8 * lowest),
        "never_below_v": _v(0.7 * lowest),
        "target_v": _v(target),
        "high_v": _v(high),
        "over_v": _v(high + n * STEP_V_CELL),
        "never_above_v": _v(high + 2 * n * STEP_V_CELL),
        "charge_volts_max": _v(target),
    }


def _amps(bench: BenchFile) -> dict[str, Any]:
    """Most current out of the UPS, by the load, and into it, by the supply, A, each with what bounds it."""
    amps, amps_from = _most_amps(bench, "supply")
    sink_amps, sink_from = _most_amps(bench, "load")
    return {
        "amps_max": sink_amps,
        "amps_from": sink_from,
        "charge_amps_max": amps,
        "charge_amps_from": amps_from,
    }


def _most_amps(bench: BenchFile, role: str) -> tuple[float, str]:
    """What fuse, leads and the instrument of ``role`` bear, A, and which of them it is. With a pack its own file always
    gives a limit; here the bench file must. Raises PlanRefused."""
    entry = bench.one(role)
    limits = shared_limits(bench, entry)
    if entry is None:
        return least_amps([*limits, (f"{NONE_THERE}the bench has no {role}", NOTHING_THERE_AMPS)])
    if not any(value is not None for _, value in limits):
        raise PlanRefused(
            f"{bench.path}: what may flow by {entry.name} is not given: write fuse_amps, or max_amps of {entry.name}"
        )
    return least_amps(limits)


def _v(volts: float) -> float:
    return round(volts, 6)
