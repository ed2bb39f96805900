"""What one run holds for a verdict: curves out of its samples, values out of its figures."""

from __future__ import annotations

import math

import numpy as np

from harness.result import Figure, Result
from harness.samplefile import table
from procedures.discharge import END_VOLTS as ENDED_BY_VOLTS
from procedures.discharge import PACK_OPENED
from procedures.fit_curves import END_VOLTS, OPENED, Curve, Floats, thinned
from procedures.fit_facts import Held, Known
from procedures.fit_runs import Run
from procedures.fit_share import ChargeCurve

HOLE_PERIODS = 3.0
"""Rows further apart than so many times the usual distance have a hole between them."""

LOST_SHARE = 0.03
"""Rows that hold this much less charge than the run found are not all there (judgement: an idle supply that drains
beside the load is in the run's figure and not in its rows, and takes less)."""

LEAST_SHARE = 0.5
"""A pack that opened with less than this share of its rated charge given opened for a reason that is not known."""


def known(run: Run, name: str) -> Known | None:
    """A figure of the run with its standard uncertainty; None when it has none."""
    made = run.result.figures.get(name)
    return None if made is None else of_figure(made, run.name)


def of_figure(made: object, run: str = "") -> Known | None:
    """The same for a member of a list."""
    if not isinstance(made, Figure) or isinstance(made.value, bool) or made.expanded_uncertainty is None:
        return None
    return Known(float(made.value), made.expanded_uncertainty / (made.coverage_factor or 2.0), run)


def number_of(result: Result, name: str) -> float:
    """A number of the plan or of the conditions; nan when it is not there."""
    value = result.plan.get(name)
    if name in result.conditions:
        value = result.conditions[name].value
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def discharge_curve(run: Run) -> Curve | None:
    """The discharge of a finished capacity run, from full to its end; None when it has none to speak of.

    Raises LookupError, in words, when rows of it are missing: nothing is put in their place.
    """
    capacity, end_reason = known(run, "capacity_ah"), run.result.end_reason
    ends = {ENDED_BY_VOLTS: END_VOLTS, PACK_OPENED: OPENED}
    if not run.whole or capacity is None or end_reason not in ends:
        return None
    rows = table(run.folder)
    set_amps = number_of(run.result, "set_amps")
    flows = rows.in_state("sinking") & (rows["pack_amps"] > 0.5 * set_amps) & np.isfinite(rows["pack_volts"])
    time_s, amps, volts = (rows[name][flows] for name in ("elapsed_s", "pack_amps", "pack_volts"))
    if len(time_s) < 2:
        raise LookupError("it has no two rows of the discharge")
    end_v = known(run, "last_v" if end_reason == PACK_OPENED else "end_v")
    last_v = volts[-1] if end_v is None or run.result.plan.get("end_at") == "load" else end_v.value
    keep = _until(volts, float(last_v))
    charge = _integral(time_s[:keep], amps[:keep])
    _no_hole(time_s[: keep + 1])
    if abs(charge[-1] - capacity.value) > LOST_SHARE * capacity.value:
        raise LookupError(f"its rows hold {charge[-1]:.4g} Ah, the run found {capacity.value:.4g} Ah")
    charge, volts = thinned(charge, volts[:keep])
    # The run's own figure knows the crossing between two rows, and what an idle supply drained.
    charge = np.append(charge[charge < charge[-1]], charge[-1]) * (capacity.value / charge[-1])
    volts = np.append(volts[: len(charge) - 1], last_v)
    temp = known(run, "temp_start_c")
    mean_amps = float(np.mean(amps[:keep]))
    return Curve(
        run.name, mean_amps, *_rising(charge, volts), ends[end_reason], math.nan if temp is None else temp.value
    )


def _no_hole(time_s: Floats) -> None:
    """Raises LookupError when rows are missing between two of these times (s)."""
    apart = np.diff(time_s)
    usual, widest = float(np.median(apart)), int(np.argmax(apart))
    if not apart[widest] <= HOLE_PERIODS * usual:
        raise LookupError(
            f"no row with volts and current from {time_s[widest]:.0f} to {time_s[widest + 1]:.0f} s, "
            f"{usual:.3g} s apart elsewhere"
        )


def opened_early(run: Run) -> bool:
    """Whether the pack opened so early that nobody can say why."""
    share = known(run, "retained_share")
    return run.result.end_reason == PACK_OPENED and not (share is not None and share.value >= LEAST_SHARE)


def charge_curve(run: Run) -> ChargeCurve | None:
    """The charge of a run that charged to its end current; None when it did not."""
    rows = table(run.folder)
    flows = rows.in_state("sourcing") & (rows["pack_amps"] < 0.0) & np.isfinite(rows["pack_volts"])
    if int(np.count_nonzero(flows)) < 3:
        return None
    time_s, amps, volts = (rows[name][flows] for name in ("elapsed_s", "pack_amps", "pack_volts"))
    put_in = _integral(time_s, -amps)
    put_in, volts, amps = _thinned_three(put_in, volts, -amps)
    missing = put_in[-1] - put_in
    falls = np.append(np.diff(missing) < 0, True)
    return ChargeCurve(run.name, missing[falls], volts[falls], amps[falls])


def held_steps(run: Run) -> tuple[Held, ...]:
    """Steps of a c-rate run: each that ended is whole in itself, also when the run was stopped later."""
    found: list[Held] = []
    for entry in run.result.lists.get("steps", ()):
        amps = of_figure(entry.get("amps"))
        if amps is None:
            continue
        opened = of_figure(entry.get("opened_s"))
        if opened is not None:
            found.append(Held(run.name, amps.value, opened.value, opened=True, u=amps.u))
        elif entry.get("held") is True:
            found.append(Held(run.name, amps.value, number_of(run.result, "step_s"), u=amps.u))
    return tuple(one for one in found if math.isfinite(one.seconds))


def r_10s(run: Run) -> Known | None:
    """Resistance 10 s after the highest step that has one, ohm."""
    found = [of_figure(entry.get("r_10s_ohm"), run.name) for entry in run.result.lists.get("steps", ())]
    return next((one for one in reversed(found) if one is not None and one.value > 0), None)


def _integral(time_s: Floats, amps: Floats) -> Floats:
    """Ah by the trapezoid rule on the rows' own times, 0 at the first."""
    good = np.where(np.isfinite(amps), amps, 0.0)
    steps = 0.5 * (good[1:] + good[:-1]) * np.diff(time_s) / 3600.0
    return np.concatenate([[0.0], np.cumsum(steps)])


def _until(volts: Floats, end_v: float) -> int:
    """How many rows lie before the end: up to the last one above the end volts."""
    above = np.nonzero(volts > end_v)[0]
    return int(above[-1]) + 1 if len(above) else len(volts)


def _rising(charge: Floats, volts: Floats) -> tuple[Floats, Floats]:
    rises = np.append(True, np.diff(charge) > 0)
    return charge[rises], volts[rises]


def _thinned_three(put_in: Floats, volts: Floats, amps: Floats) -> tuple[Floats, Floats, Floats]:
    thin, thin_v = thinned(put_in, volts)
    return thin, thin_v, thinned(put_in, amps)[1]
