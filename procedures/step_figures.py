"""Figures of a ladder of steps, each step's with its uncertainty, and why some are missing."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.channels import Channels, figure, in_figure, named
from harness.result import Entry, Figure
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.series import Point, slope_of
from procedures.step_fold import FINE_PERIOD_S, FINE_SLACK, HELD, PACK_OPENED, StepFold

IDS = ("held_it_max", "held_a_max")
INTERPOLATED_S = {"r_1s_ohm": 1.0, "r_10s_ohm": 10.0}


@dataclass(frozen=True, slots=True)
class Ladder:
    """Steps that have ended, in order."""

    folds: Sequence[StepFold]
    channels: Channels

    @property
    def held(self) -> list[StepFold]:
        return [fold for fold in self.folds if fold.step_end == HELD]


def figures(ladder: Ladder) -> dict[str, Figure]:
    """The highest step that was held."""
    made: dict[str, Figure] = {}
    best = max(ladder.held, key=lambda fold: fold.set_amps, default=None)
    if best is None:
        return made
    amps, lines = _amps(best, ladder.channels)
    named_by = "a step goes by what was set"
    apart = abs(amps - best.set_amps)
    lines.append(rectangular_line(source="set against measured", half_width=apart, unit="A", basis=named_by))
    it = 1.0 / ladder.channels.site.pack.rated_ah
    words = f"mean current of the highest step held for {best.step_s:g} s"
    made["held_a_max"] = figure(amps, "A", lines, words)
    made["held_it_max"] = figure(amps * it, "1", in_figure(lines, it, "1"), f"{words}, over rated Ah, per hour")
    return made


def not_measured(ladder: Ladder, found: Mapping[str, Figure]) -> dict[str, str]:
    """Every other figure id, with the reason; of single steps' figures, what is missing and why."""
    why = dict.fromkeys((name for name in IDS if name not in found), "no step was held")
    for name in INTERPOLATED_S:
        reasons = {f"{fold.set_amps:g} A: {text}" for fold in ladder.folds if (text := missing(fold, name))}
        if reasons and len(reasons) == len(ladder.folds):
            why[name] = "; ".join(sorted(reasons))
    return why


def steps(ladder: Ladder) -> tuple[Entry, ...]:
    """One entry a step, in order."""
    return tuple(_entry(fold, ladder.channels) for fold in ladder.folds)


def _entry(fold: StepFold, channels: Channels) -> Entry:
    amps, lines = _amps(fold, channels)
    it = 1.0 / channels.site.pack.rated_ah
    of_it = figure(amps * it, "1", in_figure(lines, it, "1"), "mean current over rated Ah, per hour")
    made: Entry = {}
    made |= {"amps": figure(amps, "A", lines, "mean current of the step"), "it": of_it}
    made |= {"held": fold.step_end == HELD, "step_end": fold.step_end}
    if fold.step_end == PACK_OPENED:
        made |= {"opened_s": _opened(fold)}
    if not math.isnan(fold.min_v):
        at = channels.volts_lines(volts=fold.min_v, amps=amps)
        made |= {"min_v": figure(fold.min_v, "V", at, channels.volts_basis("least pack volts under the current"))}
    for name, after_s in INTERPOLATED_S.items():
        reason = missing(fold, name)
        value: Figure | str = f"not measured: {reason}" if reason else _ohm(fold, channels, after_s)
        made |= {name: value}
    if fold.temps:
        made |= {"rise_k": _rise(fold, channels)}
    return made


def _amps(fold: StepFold, channels: Channels) -> tuple[float, list[BudgetLine]]:
    amps = statistics.fmean(a for _, a in fold.after_a) if fold.after_a else 0.0
    return amps, [channels.amps_line(role="load", amps=amps)]


def _opened(fold: StepFold) -> Figure:
    basis = "between the last sample with current and the first without"
    line = rectangular_line(source="sampling", half_width=fold.opened_half_s, unit="s", basis=basis)
    stamp = rectangular_line(source="time stamp", half_width=0.5 * _stamp_s(fold), unit="s", basis="half a period")
    return figure(fold.opened_s, "s", [line, stamp], "from switch-on to half-way between those two samples")


def missing(fold: StepFold, name: str) -> str:
    """Why the resistance ``name`` cannot be given; "" when it can."""
    after_s = INTERPOLATED_S[name]
    if math.isnan(fold.rest_v):
        return "no volts were read in the second before the step"
    if not fold.held_s >= after_s:
        return f"{fold.step_end} after {fold.held_s:.1f} s"
    if after_s <= 1.0 and not fold.typical_spacing_s() <= FINE_SLACK * FINE_PERIOD_S:
        return f"a sample every {fold.typical_spacing_s():.2f} s only, {FINE_PERIOD_S:g} s wanted"
    if not fold.spacing_s(after_s) <= max(0.2 * after_s, FINE_SLACK * FINE_PERIOD_S):
        return f"no sample near {after_s:g} s"
    return ""


def _ohm(fold: StepFold, channels: Channels, after_s: float) -> Figure:
    """(V_before - V(t)) / (I(t) - I_before). One voltmeter reads both ends, so its offset drops out."""
    volts, amps = fold.drop(after_s)
    per_volt, per_amp = 1.0 / amps, volts / amps**2
    lines = [
        *in_figure(channels.volts_change_lines(volts=volts, amps=amps), per_volt, "Ohm"),
        *in_figure([channels.amps_line(role="load", amps=amps)], per_amp, "Ohm"),
        *in_figure([_stamp_line(fold, after_s), _drift_line(fold)], per_volt, "Ohm"),
        *in_figure(_scatter_lines(fold), per_volt, "Ohm"),
    ]
    return figure(volts / amps, "Ohm", lines, channels.volts_basis(f"drop {after_s:g} s after switch-on over the step"))


def _stamp_s(fold: StepFold) -> float:
    """How far a reading may lie from its time stamp, s: within the turn in which it was taken."""
    spacing = fold.typical_spacing_s()
    return spacing if math.isfinite(spacing) else 1.0


def _stamp_line(fold: StepFold, after_s: float) -> BudgetLine:
    slope = fold.slope(after_s)
    late = _stamp_s(fold) * abs(slope) if math.isfinite(slope) else 0.0
    basis = f"a reading within {_stamp_s(fold):.2f} s of its stamp, volts moving {1000 * slope:.2f} mV/s there"
    return rectangular_line(source="time stamp", half_width=late, unit="V", basis=basis)


def _drift_line(fold: StepFold) -> BudgetLine:
    """From the middle of the second before to switch-on the pack went on relaxing."""
    slope = fold.rest_slope if math.isfinite(fold.rest_slope) else 0.0
    ago = fold.on_s - fold.before_v[-1][0] + 0.5
    basis = f"volts before the step moving {1000 * slope:.3f} mV/s, {ago:.1f} s before it"
    return rectangular_line(source="relaxing before the step", half_width=abs(slope) * ago, unit="V", basis=basis)


def _scatter_lines(fold: StepFold) -> list[BudgetLine]:
    """The mean before has n readings, the value after lies between two: the readings' scatter acts on both."""
    points = fold.rest_points
    if len(points) < 3:
        return []
    slope = slope_of(points)
    middle = statistics.fmean(t for t, _ in points)
    left = [v - slope * (t - middle) for t, v in points]
    u = statistics.stdev(left) * math.sqrt(1.0 + 1.0 / len(points))
    return [BudgetLine("scatter of the volts", u, "V", f"of {len(points)} readings before the step", len(points) - 1)]


def _rise(fold: StepFold, channels: Channels) -> Figure:
    temps: list[Point] = fold.temps
    first, last = temps[0][1], temps[-1][1]
    slope = slope_of(temps[len(temps) // 2 :])
    start = in_figure(channels.temp_lines(), 1.0, "K")
    end = in_figure(channels.temp_lines(slope_k_per_s=slope), 1.0, "K")
    both = [*named(start, "start"), *named(end, "end")]
    return figure(last - first, "K", both, "pack thermometer at the end of the step less before it")
