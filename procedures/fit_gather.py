"""From the runs to the facts: which run gives what, and in words why something is not there.

Of two runs that give the same the newer one counts. A run that was stopped or tripped is not taken as whole: only
steps of a c-rate run that ended before are used of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from harness.preflight_node import NOT_FULL
from harness.result import Result
from procedures.charging import END_CURRENT
from procedures.fit_curves import Curve
from procedures.fit_facts import Facts, Held, Known, PackSide, UpsSideFacts
from procedures.fit_read import (
    charge_curve,
    discharge_curve,
    held_steps,
    known,
    number_of,
    opened_early,
    r_10s,
)
from procedures.fit_runs import Run
from procedures.fit_share import ChargeCurve
from procedures.fit_ups import SAME_W, Sweep
from procedures.floor_figures import ABNORMAL, WENT_OFF

NOT_WELL = (WENT_OFF, ABNORMAL)

SAME_RATE = 0.05
"""Discharges whose currents lie this near to one another are at one rate (judgement)."""


def gathered(runs: Sequence[Run]) -> Facts:
    """Facts of ``runs``, oldest first, of one pack and one UPS."""
    pack = next(run.pack for run in reversed(runs) if run.pack is not None)
    ups = next(run.ups for run in reversed(runs) if run.ups is not None)
    assert pack is not None
    assert ups is not None
    notes: list[str] = []
    missing: dict[str, str] = {}
    for run in runs:
        if not run.whole:
            notes.append(f"{run.name}: {run.result.outcome} ({run.result.end_reason}); not taken as whole")
    notes += _changed_files(runs)
    return Facts(
        pack=pack,
        ups=ups,
        simulated=runs[0].result.simulated,
        pack_side=_pack_side(runs, missing, notes),
        ups_side=_ups_side(runs, missing, notes),
        missing=missing,
        notes=tuple(notes),
        runs=tuple(run.name for run in runs),
    )


def _changed_files(runs: Sequence[Run]) -> Iterator[str]:
    """A limit or a fact of the place may have been put right between two runs: the newest file counts, and that is
    told."""
    for what, files in (("pack", [run.pack for run in runs]), ("UPS", [run.ups for run in runs])):
        if len({file.sha256 for file in files if file is not None}) > 1:
            newest = next(
                run.name for run, file in zip(reversed(runs), reversed(files), strict=True) if file is not None
            )
            yield f"the {what} file was changed between the runs; that of {newest} counts"


def _of(runs: Sequence[Run], procedure: str) -> list[Run]:
    """Runs of a procedure, newest first."""
    return [run for run in reversed(runs) if run.result.procedure == procedure]


def _why_not(runs: list[Run], procedure: str, otherwise: str) -> str:
    """Why runs of a procedure gave nothing."""
    if not runs:
        return f"no {procedure} run is among the runs"
    broken = next((run for run in runs if not run.whole), None)
    if broken is not None:
        return f"{broken.name} was {broken.result.outcome}: {broken.result.end_reason}"
    return f"{runs[0].name}: {otherwise}"


# -- pack --------------------------------------------------------------------------------------------------------------


def _pack_side(runs: Sequence[Run], missing: dict[str, str], notes: list[str]) -> PackSide:
    capacity = _of(runs, "capacity")
    unused: dict[str, str] = {}
    curves, used = _curves(capacity, notes, unused)
    if not curves:
        missing["curves"] = _why_not(capacity, "capacity", _no_curve(capacity, unused))
    charge, charge_u = _charge(runs, missing)
    steps = _of(runs, "c-rate")
    # Perhaps not all were measured on one bench: the worst instrument counts for all.
    mean_v, total = [[one for run in used if (one := known(run, name))] for name in ("mean_v", "capacity_ah")]
    rests = [one for one in map(_rest_v, (*used, *steps)) if one is not None]
    share_u = max((one.share for one in total), default=math.nan)
    return PackSide(
        curves=tuple(curves),
        volts_u=max((one.u for one in mean_v), default=math.nan),
        charge_share_u=share_u,
        charge=charge,
        charge_share_in_u=charge_u,
        held=(*_to_the_end(curves, share_u), *(one for run in steps for one in held_steps(run))),
        r_10s=next((one for one in map(r_10s, steps) if one is not None), None),
        rest_v=max(rests, key=lambda one: one.value, default=None),
        taken_full=tuple(run.name for run in used if not _was_full(run, runs)),
        unused=tuple(f"{name} is not used: {why}" for name, why in unused.items()),
    )


def _not_full(run: Run) -> str:
    """Why a discharge is none from full: its pack rested lower before it than a full one does; "" when it did not."""
    rest_v, pack = number_of(run.result, "rest_v"), run.pack
    assert pack is not None
    full_v = pack.row.full_rest * pack.cells_in_series
    if not rest_v < NOT_FULL * full_v:
        return ""
    return f"the pack rested at {rest_v:.2f} V before it, a full one at about {full_v:.2f} V: it was not full"


def _no_curve(capacity: list[Run], unused: Mapping[str, str]) -> str:
    if capacity and (why := unused.get(capacity[0].name, "") or _not_full(capacity[0])):
        return why
    if capacity and opened_early(capacity[0]):
        return "the pack opened long before it was empty, for a reason that is not known"
    return f"no discharge to its end ({capacity[0].result.end_reason})" if capacity else ""


def _curves(capacity: list[Run], notes: list[str], unused: dict[str, str]) -> tuple[list[Curve], list[Run]]:
    """One curve a rate, by rising current, and the runs they are from; ``unused`` gets why others are none."""
    found: list[tuple[Curve, Run]] = []
    for run in capacity:
        curve, why = _curve(run)
        if why:
            unused[run.name] = why
            notes.append(f"{run.name}: not used: {why}")
        if curve is None:
            continue
        if any(abs(curve.amps - other.amps) <= SAME_RATE * other.amps for other, _ in found):
            notes.append(f"{run.name}: not used, there is a newer one at its rate")
            continue
        found.append((curve, run))
    found.sort(key=lambda pair: pair[0].amps)
    return [curve for curve, _ in found], [run for _, run in found]


def _curve(run: Run) -> tuple[Curve | None, str]:
    """The run's curve, or None, with the reason where it is one that somebody would expect to count."""
    try:
        curve = None if opened_early(run) or known(run, "mean_v") is None else discharge_curve(run)
    except LookupError as error:
        return None, str(error)
    why = "" if curve is None else _not_full(run)
    return (None if why else curve), why


def _to_the_end(curves: Sequence[Curve], share_u: float) -> list[Held]:
    """``share_u``: relative standard uncertainty of their currents."""
    return [
        Held(one.run, one.amps, 3600.0 * one.end_ah / one.amps, to_the_end=True, u=share_u * one.amps) for one in curves
    ]


def _rest_v(run: Run) -> Known | None:
    """The pack at rest before it was discharged, with the uncertainty of its volts."""
    value = number_of(run.result, "rest_v")
    volts = known(run, "mean_v")
    return None if math.isnan(value) or volts is None else Known(value, volts.u, run.name)


def _charge(runs: Sequence[Run], missing: dict[str, str]) -> tuple[ChargeCurve | None, float]:
    """The newest charge that ended full, in a run of its own or at the beginning of a capacity run."""
    charged = _of(runs, "charge")
    for run in reversed(runs):
        if not (run.whole and _ended_full(run.result)):
            continue
        curve = charge_curve(run)
        if curve is not None:
            put_in = known(run, "charge_in_ah") or known(run, "capacity_ah")
            return curve, put_in.share if put_in else 0.0
    missing["charge"] = _why_not(charged, "charge", "it did not end by its end current")
    return None, 0.0


def _ended_full(result: Result) -> bool:
    """Whether the run charged the pack until only the end current flowed."""
    if result.procedure == "charge":
        return result.end_reason == END_CURRENT
    charged = result.conditions.get("charge_end")
    return result.procedure == "capacity" and charged is not None and charged.value == END_CURRENT


def _was_full(run: Run, runs: Sequence[Run]) -> bool:
    """Whether the pack was seen charged full before this discharge, with nothing in between that took charge out."""
    if run.result.plan.get("charge_first") is True:
        return True
    before = [one for one in runs if one.result.started < run.result.started and one.result.procedure in _MOVES_CHARGE]
    return (
        bool(before) and before[-1].whole and before[-1].result.procedure == "charge" and _ended_full(before[-1].result)
    )


_MOVES_CHARGE = ("charge", "capacity", "c-rate")


# -- UPS ---------------------------------------------------------------------------------------------------------------


def _ups_side(runs: Sequence[Run], missing: dict[str, str], notes: list[str]) -> UpsSideFacts:
    floors, probes = _of(runs, "voltage-floor"), _of(runs, "charge-ceiling")
    sweeps, used = _sweeps(floors, notes)
    if not sweeps:
        missing["floor"] = _why_not(floors, "voltage-floor", _no_floor(floors))
    floor, power, load = [[known(run, name) for run in used] for name in ("floor_v", "dc_w", "p_ac_w")]
    probe = next((run for run in probes if run.whole and known(run, "ceiling_v") is not None), None)
    if probe is None:
        missing["ceiling"] = _why_not(probes, "charge-ceiling", _told(probes, "ceiling_v"))
    elif known(probe, "charge_a") is None:
        missing["charge_a"] = f"{probe.name}: {_told([probe], 'charge_a')}"
    idle = next((one for one in (known(run, "idle_w") for run in floors if run.whole) if one is not None), None)
    good = [one for one in (known(run, "highest_good_v") for run in floors if run.whole) if one is not None]
    return UpsSideFacts(
        sweeps=tuple(sweeps),
        floor_u=max((one.u for one in floor if one), default=math.nan),
        power_share_u=max((one.share for one in power if one), default=math.nan),
        load_share_u=max((one.share for one in load if one), default=0.0),
        idle_w=idle.value if idle else math.nan,
        ceiling=_first(probe, "float_v", "ceiling_v"),
        highest=_first(probe, "boost_v", "ceiling_v"),
        ceiling_temp_c=math.nan if probe is None else number_of(probe.result, "temp_c"),
        charge_a=_first(probe, "charge_a"),
        highest_good=max(good, key=lambda one: one.value, default=None),
        abnormal_v=min((_abnormal_v(run) for run in floors), default=math.nan),
    )


def _first(run: Run | None, *names: str) -> Known | None:
    return None if run is None else next((one for one in (known(run, name) for name in names) if one), None)


def _sweeps(floors: list[Run], notes: list[str]) -> tuple[list[Sweep], list[Run]]:
    """One sweep a load, by rising load, and the runs they are from."""
    found: list[tuple[Sweep, Run]] = []
    for run in floors:
        values = [known(run, name) for name in ("p_ac_w", "floor_v", "dc_w")]
        if not run.whole or None in values:
            continue
        load_w, floor_v, dc_w = (one.value for one in values if one is not None)
        if any(abs(load_w - other.ac_w) <= SAME_W * other.ac_w for other, _ in found):
            notes.append(f"{run.name}: not used, there is a newer one at its load")
            continue
        found.append((Sweep(run.name, load_w, floor_v, dc_w), run))
    found.sort(key=lambda pair: pair[0].ac_w)
    return [sweep for sweep, _ in found], [run for _, run in found]


def _no_floor(floors: list[Run]) -> str:
    if floors and known(floors[0], "floor_v") is None:
        return _told(floors, "floor_v")
    return "the load on the UPS's output is not known; write ac_load_w into the UPS file and run it again"


def _told(runs: list[Run], name: str) -> str:
    return runs[0].result.not_measured.get(name, f"{name} was not measured") if runs else ""


def _abnormal_v(run: Run) -> float:
    """The highest volts the UPS was taken to when it was not well there; inf when nothing of the kind was seen.

    What ended by the bench or by mains says nothing about the UPS.
    """
    above = run.result.conditions.get("above_start")
    if above is None or above.value not in NOT_WELL:
        return math.inf
    return number_of(run.result, "highest_v")
