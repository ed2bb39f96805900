"""Figures of a charge-ceiling probe that has ended, each with its uncertainty, and why the others are missing."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping

from harness.channels import figure, in_figure, named
from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.ceiling_fold import LEAST_POINTS, Branches, ChargePoint, branches, cc_branch, stages
from procedures.ceiling_trace import Traced
from procedures.line import Line

IDS = ("ceiling_v", "charger_r_ohm", "charge_a", "knee_v", "boost_v", "float_v", "open_v")

OPEN_DROP_V = 0.025
"""A charger of up to 0.5 ohm behind up to 50 mA that an idle supply draws: so far below its open volts (judgement)."""

HELP_BLEED_A = 0.05
"""What a supply that is driven may draw from the node without showing it (judgement)."""


def figures(run: Traced) -> dict[str, Figure]:
    """Every figure there is."""
    if run.driven is not None:
        return _open(run)
    found = stage_branches(run)
    return _lines(run, found) | _limit(run, found)


def stage_branches(run: Traced) -> list[Branches]:
    """Both branches of each stage with a line through its constant-volts points; in order of time. What limits the
    current does so in every stage."""
    cc = cc_branch(run.points)
    all_of_them = [branches(stage, cc=_of(stage, cc)) for stage in stages(run.points, drop_v=run.drop_v)]
    return [one for one in all_of_them if one.line is not None]


def _of(stage: list[ChargePoint], cc: tuple[ChargePoint, ...]) -> tuple[ChargePoint, ...]:
    """The constant-current branch as far as it lies below this stage's points, all of it where none does."""
    top = max(one.volts for one in stage)
    return tuple(one for one in cc if one.volts < top) or cc


def _limit(run: Traced, found: list[Branches]) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    cc = cc_branch(run.points)
    if not cc:
        return made
    amps = statistics.fmean(one.amps for one in cc)
    words = f"mean of {len(cc)} points of the constant-current branch"
    made["charge_a"] = figure(amps, "A", _charge_lines(run, amps), words)
    best = None if run.boost_missed else _highest(found)
    if best is not None:
        line = best.line
        assert line is not None
        lines = [*_line_at(run, line, amps), *in_figure(_amps_lines(run, amps), line.slope, "V")]
        lines += in_figure(_scatter(cc), line.slope, "V")
        words = run.channels.volts_basis("where the line of the constant-volts branch meets charge_a")
        made["knee_v"] = figure(line.at(amps), "V", lines, words)
    return made


def _highest(found: list[Branches]) -> Branches | None:
    """The stage that brings a battery to the highest volts; None where no line was found."""
    return max(found, key=lambda one: -math.inf if one.line is None else one.line.intercept, default=None)


def _charge_lines(run: Traced, amps: float) -> list[BudgetLine]:
    return [*_amps_lines(run, amps), *_scatter(cc_branch(run.points))]


def _amps_lines(run: Traced, amps: float) -> list[BudgetLine]:
    """What is not known of the charger's current, A: the load's ammeter and the supply beside it."""
    channels = run.channels
    lines = [channels.amps_line(role="load", amps=amps)]
    if channels.site.bench.one("supply") is None:
        return lines
    if run.helped_all_along:
        basis = f"driven, it may draw up to {HELP_BLEED_A:g} A, judgement"
        lines.append(rectangular_line(source="supply beside the load", half_width=HELP_BLEED_A, unit="A", basis=basis))
        return lines
    volts = max(one.volts for one in run.points)
    return [*lines, *in_figure(channels.drain_line(channels.drain_beside(volts=volts, hours=1.0)), 1.0, "A")]


def _scatter(points: tuple[ChargePoint, ...]) -> list[BudgetLine]:
    if len(points) < 3:
        return []
    u = statistics.stdev(one.amps for one in points) / math.sqrt(len(points))
    return [BudgetLine("scatter of the points", u, "A", f"of {len(points)} points", len(points) - 1)]


def _lines(run: Traced, found: list[Branches]) -> dict[str, Figure]:
    """Ceiling, resistance, and the two stages apart where both were seen."""
    made: dict[str, Figure] = {}
    best = _highest(found)
    if best is None or best.line is None:
        return made
    if run.boost_missed:
        return _float_only(run, best, best.line)
    line, basis = best.line, run.channels.volts_basis
    what = "boost, the higher of two stages" if len(found) > 1 else "the one stage that was seen"
    words = f"least-squares line through {line.n} points of the constant-volts branch, at no current; {what}"
    made["ceiling_v"] = figure(line.intercept, "V", _intercept_lines(run, line), basis(words))
    words = f"minus the slope of the line through {line.n} points, at the UPS's terminals"
    made["charger_r_ohm"] = figure(-line.slope, "Ohm", _slope_lines(run, best, line), basis(words))
    first, last = found[0].line, found[-1].line
    if run.fell and first is not None and last is not None and last is not first:
        words = "the same of the stage that ended by itself"
        made["boost_v"] = figure(first.intercept, "V", _intercept_lines(run, first), basis(words))
        words = "the same of the stage after it"
        made["float_v"] = figure(last.intercept, "V", _intercept_lines(run, last), basis(words))
    return made


def _float_only(run: Traced, stage: Branches, line: Line) -> dict[str, Figure]:
    """What is left when boost ended before its branch was traced: its ceiling was higher, how high nobody saw."""
    made: dict[str, Figure] = {}
    basis = run.channels.volts_basis
    words = f"least-squares line through {line.n} points of the constant-volts branch, at no current, after boost"
    made["float_v"] = figure(line.intercept, "V", _intercept_lines(run, line), basis(words))
    words = f"minus the slope of the line through {line.n} points, at the UPS's terminals"
    made["charger_r_ohm"] = figure(-line.slope, "Ohm", _slope_lines(run, stage, line), basis(words))
    return made


def _line_at(run: Traced, line: Line, amps: float) -> list[BudgetLine]:
    """What is not known of the line's volts at ``amps``, V."""
    volts = line.at(amps)
    lines = run.channels.volts_lines(volts=volts, amps=amps)
    if line.dof is None:
        return lines
    scatter = BudgetLine("scatter about the line", line.u_at(amps), "V", f"of {line.n} points", line.dof)
    return [scatter, *lines]


def _intercept_lines(run: Traced, line: Line) -> list[BudgetLine]:
    """Of the ammeter its offset acts, over the slope: taken as what it may be off at the smallest currents."""
    amps = _amps_lines(run, 0.0)
    return [*_line_at(run, line, 0.0), *in_figure(amps, line.slope, "V")]


def _slope_lines(run: Traced, stage: Branches, line: Line) -> list[BudgetLine]:
    """Both ends of the line are read by the same instruments, so offsets drop out and gains are left."""
    amps = [one.amps for one in stage.cv]
    span_a = max(amps) - min(amps)
    change = run.channels.volts_change_lines(volts=line.slope * span_a, amps=span_a)
    entry = run.channels.site.bench.one("load")
    assert entry is not None
    gain = rectangular_line(
        source=f"{entry.name} amps",
        half_width=abs(line.slope) * entry.amps_accuracy.reading_pct / 100.0,
        unit="Ohm",
        basis=f"{entry.amps_accuracy.words('A')}: its share of reading",
    )
    lines = [*in_figure(change, 1.0 / span_a, "Ohm"), gain]
    if line.dof is not None:
        lines.append(BudgetLine("scatter about the line", line.u_slope, "Ohm", f"of {line.n} points", line.dof))
    return lines


def _open(run: Traced) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    fold = run.driven
    if fold is None or not fold.steady:
        return made
    volts = fold.mean_v
    lines = [*run.channels.volts_lines(volts=volts, amps=0.0), *_spread(fold.inside)]
    words = run.channels.volts_basis(f"mean of {fold.length_s:g} s with the supply driven by the charger")
    made["open_v"] = figure(volts, "V", lines, words)
    basis = "a charger's resistance times what the idle supply draws, both unknown, judgement"
    drop = rectangular_line(source="not quite without current", half_width=OPEN_DROP_V, unit="V", basis=basis)
    made["ceiling_v"] = figure(volts, "V", [*lines, drop], f"{words}; without a load no more can be told")
    return made


def _spread(values: list[float]) -> list[BudgetLine]:
    half = 0.5 * (max(values) - min(values))
    return named(
        [rectangular_line(source="volts", half_width=half, unit="V", basis="spread of the readings")], "moving"
    )


def not_measured(run: Traced, found: Mapping[str, Figure]) -> dict[str, str]:
    """Every other figure id, with the reason."""
    ended = f"the probe ended by: {run.end_reason}"
    why = dict.fromkeys(IDS, ended)
    why["open_v"] = "read with the supply alone (by = supply); a load was in place of the battery"
    one_stage = "no fall to another stage was waited for (taper_wait_s = 0)"
    if run.taper_waited:
        one_stage = "one stage only was seen: drawing little did not end it in the time of the plan"
    if "ceiling_v" in found:
        why |= dict.fromkeys(("boost_v", "float_v"), one_stage)
    if run.points and not stage_branches(run):
        fewer = f"fewer than {LEAST_POINTS} points on a falling line; {ended}"
        why |= dict.fromkeys(("ceiling_v", "charger_r_ohm", "knee_v"), fewer)
    if run.boost_missed:
        why |= dict.fromkeys(
            ("ceiling_v", "knee_v", "boost_v"), "boost ended before its branch was traced: run it again"
        )
    if run.driven is not None:
        alone = "needs a load in place of the battery; this bench had the supply alone"
        why |= dict.fromkeys(("charger_r_ohm", "charge_a", "knee_v", "boost_v", "float_v"), alone)
        why["open_v"] = ended
    return {name: why[name] for name in IDS if name not in found}
