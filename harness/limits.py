"""How a run's envelope is stacked from pack file, chemistry row, bench file and plan.

The data sheet (the pack file) wins over the chemistry row, but never beyond never-below and never-above. A plan may
move the cut-off up and the charge target down; the table ``[limits]`` of the pack file moves limits that trip,
hard ones to the careful side only. Current is bounded by the weakest of pack, fuse, leads and instrument. Nothing in
here may be loosened by an option.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

from harness.chemistry import ChemistryRow, DischargeLevels, discharge_levels
from harness.config_bench import BenchFile
from harness.config_pack import PackFile
from harness.envelope import Envelope
from harness.errors import PlanRefused
from harness.instrument_entry import InstrumentEntry
from harness.limits_amps import most_amps
from harness.limits_asked import granted
from harness.limits_settings import IN_THE_ENVELOPE, Changed, Usual

__all__ = ["Envelope", "allowed_amps", "envelope", "own_low_stop_volts"]

START_TEMP_C = (5.0, 40.0)
"""Pack temperature, degC, at which a run may start (judgement)."""

UNATTENDED_TEMP_MAX_C = 50.0
"""Pack temperature, degC, above which a run nobody watches ends (judgement)."""


def envelope(
    *,
    pack: PackFile,
    bench: BenchFile,
    end_volts: float | None = None,
    charge_volts: float | None = None,
    rate_it: float | None = None,
) -> Envelope:
    """The envelope for ``pack`` on ``bench``.

    ``end_volts`` and ``charge_volts`` (V at the pack) are what a plan asks for in place of the defaults; ``rate_it``
    is the discharge rate, which lowers the levels of lead-acid from 1 It on. Raises PlanRefused.
    """
    _all_finite(pack, bench, end_volts=end_volts, charge_volts=charge_volts, rate_it=rate_it)
    row, n = pack.row, pack.cells_in_series
    watched = _watched(pack)
    levels = discharge_levels(row, rate_it=rate_it, watched=watched)
    cut_off, notes = _cut_off(pack, default_v=_pack_v(n, levels.cut_off), watched=watched, asked=end_volts)
    target = _target(pack, asked=charge_volts)
    amps = most_amps(pack, bench, target_v=target)
    _load_bears(bench.one("load"), over_v=_pack_v(n, row.over_volts))
    limits, changed = _in_force(pack, levels)
    return Envelope(
        chemistry=row.name,
        lithium=row.lithium,
        cells_in_series=n,
        rated_ah=pack.rated_ah,
        nominal_v=pack.nominal_volts,
        cut_off_v=cut_off,
        target_v=target,
        charge_volts_max=pack.charge_volts_max,
        charge_refused=_charge_refused(pack, bench.one("supply"), target_v=target),
        attended_only="" if watched else _unwatched(pack, "bms_cell_low_volts"),
        charge_attended_only=_charge_attended_only(pack),
        notes=(*notes, *_temperature_notes(pack), *_bms_notes(pack, cut_off_v=cut_off, target_v=target)),
        changed=changed,
        **amps,
        **limits,
    )


def _watched(pack: PackFile) -> bool:
    """Whether the BMS watches each cell: one that acts only beyond never-below guards nothing we count on."""
    return pack.bms_cell_low_volts is not None and pack.bms_cell_low_volts >= pack.row.never_below


def _in_force(pack: PackFile, levels: DischargeLevels) -> tuple[dict[str, Any], tuple[Changed, ...]]:
    """Levels and temperatures as they hold in this run, V and degC, and what a person has changed of all limits."""
    volts, temps = _row_volts(pack.row, levels, cells=pack.cells_in_series), _temperatures(pack)
    usual = Usual(pack.row.lithium, volts["low_v"], volts["high_v"], temps["unattended_temp_max_c"])
    changed = granted(pack.limits, usual=usual, where=str(pack.path))
    asked = {IN_THE_ENVELOPE[one.key]: one.value for one in changed if one.key in IN_THE_ENVELOPE}
    return volts | temps | asked, changed


def _row_volts(row: ChemistryRow, levels: DischargeLevels, *, cells: int) -> dict[str, Any]:
    """The levels nothing a person types can move, save that low and high volts may be made tighter."""
    return {
        "full_rest_v": _pack_v(cells, row.full_rest),
        "low_v": _pack_v(cells, levels.low),
        "own_stop_v": _pack_v(cells, levels.own_stop),
        "never_below_v": _pack_v(cells, levels.never_below),
        "high_v": _pack_v(cells, row.high),
        "over_v": _pack_v(cells, row.over_volts),
        "never_above_v": _pack_v(cells, row.never_above),
    }


def _pack_v(cells: int, volts: float) -> float:
    # 6 x 1.65 is 9.899999999999999 in binary; a limit is set, compared and printed as 9.9.
    return round(cells * volts, 6)


def _all_finite(pack: PackFile, bench: BenchFile, **plan: float | None) -> None:
    """Refuse a value that is not finite anywhere: min() and max() would let one pass or not, by its place in line."""
    found: list[tuple[str, object]] = [(f"plan: {name}", value) for name, value in plan.items()]
    found += [(f"{pack.path}: {f.name}", getattr(pack, f.name)) for f in fields(pack)]
    found += [(f"{bench.path}: {f.name}", getattr(bench, f.name)) for f in fields(bench)]
    for entry in bench.instruments:
        place = f'{bench.path}: instrument "{entry.name}": '
        found += [(f"{place}{f.name}", getattr(entry, f.name)) for f in fields(entry)]
    for name, value in found:
        if isinstance(value, float) and not math.isfinite(value):
            raise PlanRefused(f"{name} = {value:g}: not a finite number; write a number")


def _cut_off(pack: PackFile, *, default_v: float, watched: bool, asked: float | None) -> tuple[float, tuple[str, ...]]:
    """The discharge cut-off, V: what the plan asks, else the pack file, else the chemistry row."""
    n, row = pack.cells_in_series, pack.row
    floor_v = -math.inf if watched else default_v
    if asked is not None:
        if not asked >= floor_v:
            raise PlanRefused(
                f"plan: discharge to {asked:g} V: {_unwatched(pack, 'bms_cell_low_volts')}, so it ends at {floor_v:g} "
                f"V or above; use at least {floor_v:g} V, or give the level in the pack file"
            )
        return asked, ()
    if pack.end_volts is None:
        return default_v, ()
    if not pack.end_volts >= floor_v:
        note = (
            f"discharge ends at {floor_v:g} V, not at the pack file's {pack.end_volts:g} V: "
            f"{_unwatched(pack, 'bms_cell_low_volts')}"
        )
        return floor_v, (note,)
    usual = _pack_v(n, row.cut_off)
    note = f"discharge end {pack.end_volts:g} V is the pack file's; usual for {n} {row.name} cells is {usual:g} V"
    return pack.end_volts, (note,) if pack.end_volts != usual else ()


def _unwatched(pack: PackFile, key: str) -> str:
    """Why the single cells count as unwatched, for the function that ``key`` of the pack file declares."""
    value = getattr(pack, key)
    if not pack.bms:
        return "no BMS watches the single cells, and pack volts do not bound cell volts"
    if value is None:
        return f"the pack file gives no {key}, so nothing is known to watch the single cells"
    side = "under never-below" if "low" in key else "over never-above"
    return f"the BMS acts at {value:g} V a cell only, {side}"


def _target(pack: PackFile, *, asked: float | None) -> float:
    """The charge target, V: what the plan asks, else the row's, at most what the pack file allows."""
    if asked is None:
        return min(_pack_v(pack.cells_in_series, pack.row.target), pack.charge_volts_max)
    if not asked <= pack.charge_volts_max:
        raise PlanRefused(
            f"plan: charge to {asked:g} V: {pack.path} allows charge_volts_max = {pack.charge_volts_max:g} V; "
            f"use at most {pack.charge_volts_max:g} V"
        )
    return asked


def _temperatures(pack: PackFile) -> dict[str, Any]:
    """Bands, degC: the pack file may narrow the row's, never widen them."""
    bands: dict[str, float] = {}
    for what in ("charge", "discharge"):
        for end, tighter in (("min", max), ("max", min)):
            key = f"{what}_temp_{end}_c"
            asked, held = getattr(pack, key), getattr(pack.row, key)
            bands[key] = held if asked is None else tighter(asked, held)
    return bands | {
        "start_temp_min_c": START_TEMP_C[0],
        "start_temp_max_c": START_TEMP_C[1],
        "unattended_temp_max_c": UNATTENDED_TEMP_MAX_C,
    }


def _temperature_notes(pack: PackFile) -> tuple[str, ...]:
    used = _temperatures(pack)
    return tuple(
        f"{key} = {used[key]:g} degC holds for {pack.chemistry}, not the pack file's {asked:g}"
        for key, asked in ((key, getattr(pack, key)) for key in used if hasattr(pack, key))
        if asked is not None and asked != used[key]
    )


def _load_bears(load: InstrumentEntry | None, *, over_v: float) -> None:
    if load is not None and load.max_volts is not None and not load.max_volts >= over_v:
        raise PlanRefused(
            f'limits: load "{load.name}" bears {load.max_volts:g} V (max_volts), this pack may reach {over_v:g} V; '
            f"use a load for at least {over_v:g} V"
        )


def _charge_refused(pack: PackFile, supply: InstrumentEntry | None, *, target_v: float) -> str:
    if pack.row.lithium and not pack.bms:
        return _unwatched(pack, "bms_cell_high_volts")
    if supply is not None and supply.max_volts is not None and not supply.max_volts >= target_v:
        return f'supply "{supply.name}" gives {supply.max_volts:g} V (max_volts), the charge needs {target_v:g} V'
    return ""


def _charge_attended_only(pack: PackFile) -> str:
    level = pack.bms_cell_high_volts
    watched = level is not None and level <= pack.row.never_above
    return "" if watched else _unwatched(pack, "bms_cell_high_volts")


def _bms_notes(pack: PackFile, *, cut_off_v: float, target_v: float) -> tuple[str, ...]:
    n, notes = pack.cells_in_series, []
    low, high = pack.bms_cell_low_volts, pack.bms_cell_high_volts
    if low is not None and low * n > cut_off_v:
        notes.append(f"the BMS ({low:g} V a cell) opens before the discharge end of {cut_off_v:g} V")
    if high is not None and high * n < target_v:
        notes.append(f"the BMS ({high:g} V a cell) opens before the charge target of {target_v:g} V")
    return tuple(notes)


def allowed_amps(env: Envelope, *, amps: float, charging: bool) -> float:
    """``amps`` (magnitude) when the envelope allows it. Raises PlanRefused."""
    most, source = (env.charge_amps_max, env.charge_amps_from) if charging else (env.amps_max, env.amps_from)
    if not (math.isfinite(amps) and 0 < amps <= most):
        what = "charge" if charging else "discharge"
        raise PlanRefused(
            f"plan: {what} current {amps:g} A: allowed above 0 and up to {most:.4g} A ({source}); "
            f"use at most {most:.4g} A"
        )
    return amps


def own_low_stop_volts(env: Envelope, *, lead_ohm: float | None, amps: float, sense: str) -> float:
    """The level, V at the load's terminals, to set as the load's own low-voltage stop for ``amps`` of discharge.

    Without sense leads the load sees the pack less the drop of the leads, so the drop is taken off, but never so far
    that the level lies below never-below. Unknown leads count as none: the load then stops early, not late. Raises
    PlanRefused when a value makes no sense, or when the leads drop so much that the load would stop by itself before
    the harness trips.
    """
    if sense not in ("local", "remote"):
        raise PlanRefused(f'limits: sense = "{sense}": unknown; use "local" or "remote"')
    ohm = 0.0 if lead_ohm is None else lead_ohm
    if not (math.isfinite(ohm) and ohm >= 0):
        raise PlanRefused(f"limits: leads {ohm:g} ohm: not a finite number from 0 up; put the bench file right")
    if not (math.isfinite(amps) and amps >= 0):
        raise PlanRefused(f"limits: discharge current {amps:g} A: not a finite number from 0 up; put the plan right")
    if sense == "remote":
        return env.own_stop_v
    drop = amps * ohm
    stop = max(env.own_stop_v - drop, env.never_below_v)
    if not stop + drop < env.low_v:
        raise PlanRefused(
            f"limits: leads drop {drop:.2f} V at {amps:g} A: the load would stop by itself at {stop + drop:.2f} V at "
            f"the pack, not below low volts {env.low_v:g} V; use thicker leads, remote sense or less than "
            f"{(env.low_v - env.never_below_v) / ohm:.3g} A"
        )
    return stop
