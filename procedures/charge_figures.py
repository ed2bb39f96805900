"""Figures of a charge that has ended, each with its uncertainty, and why the others are missing."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass

from harness.channels import Channels, clock_line, figure, in_figure, named
from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.charging import END_CURRENT, ChargeFold
from procedures.detectors import ChargeCounter

IDS = ("charge_in_ah", "charge_in_wh", "cv_s", "end_a", "charger_restarts")


@dataclass(frozen=True, slots=True)
class Charged:
    """A charge that has ended, and what it was to be: ``set_amps`` (A) up to ``set_volts`` (V)."""

    fold: ChargeFold
    channels: Channels
    set_amps: float
    set_volts: float

    @property
    def seconds(self) -> float:
        """From switch-on to the last sample, s."""
        last = self.fold.counter.last
        return 0.0 if last is None else last[0] - self.fold.on_s

    def end_lines(self) -> list[BudgetLine]:
        """How far the end of the charge may lie from the planned one, A.h: the volts held and the end current are
        known only as well as the supply knows them. What a volt, and an ampere, is worth there is taken from the
        charge's own slopes."""
        fold = self.fold
        lines: list[BudgetLine] = []
        if fold.end_reason != END_CURRENT:
            return lines
        if fold.rise_v_per_s > 0:
            held = self.channels.own_volts_line(role="supply", volts=self.set_volts)
            ah_per_v = self.set_amps / 3600.0 / fold.rise_v_per_s
            lines += in_figure(named([held], "volts held"), ah_per_v, "A.h")
        if fold.fall_a_per_s < 0:
            end = self.channels.amps_line(role="supply", amps=fold.end_amps)
            ah_per_a = fold.end_amps / 3600.0 / -fold.fall_a_per_s
            lines += in_figure(named([end], "end current"), ah_per_a, "A.h")
        return lines


def figures(run: Charged) -> dict[str, Figure]:
    """Every figure there is."""
    made = _counted(run)
    made["charger_restarts"] = Figure(
        value=float(run.fold.taper.restarts),
        unit="1",
        basis="counted: times the current collapsed and came back by the next sample; a shorter break is not seen",
    )
    return made | _tail(run)


def not_measured(run: Charged, found: Mapping[str, Figure]) -> dict[str, str]:
    """Every other figure id, with the reason."""
    why = dict.fromkeys(("charge_in_ah", "charge_in_wh"), "no charge was counted")
    tail = f"{run.fold.end_reason}: there was no tail"
    if run.fold.end_reason == END_CURRENT:
        tail = "the supply's volts or amps were not read around it"
    why |= {"end_a": tail, "cv_s": tail}
    if run.fold.taper.never_above:
        why["cv_s"] = "the current never rose above the end current: the pack was full already"
    return {name: why[name] for name in IDS if name not in found}


def _counted(run: Charged) -> dict[str, Figure]:
    charge_ah, energy_wh = run.fold.put_in
    hours = run.seconds / 3600.0
    if not (hours > 0 and charge_ah > 0):
        return {}
    mean_a, mean_v = charge_ah / hours, energy_wh / charge_ah
    ah_per_s = mean_a / 3600.0
    half_period = 0.5 * run.fold.counter.spacing_s
    counted = [
        *in_figure([run.channels.amps_line(role="supply", amps=mean_a)], hours, "A.h"),
        *in_figure([clock_line(run.seconds)], ah_per_s, "A.h"),
        rectangular_line(
            source="sampling",
            half_width=half_period * run.set_amps / 3600.0,
            unit="A.h",
            basis="half the time between samples, at the ends",
        ),
        *gap_lines(run.fold.counter),
        *run.end_lines(),
    ]
    # The charging current flows in the supply's leads only.
    in_leads = mean_a if run.channels.place.kind == "supply" else 0.0
    volts = run.channels.volts_lines(volts=mean_v, amps=in_leads)
    return {
        "charge_in_ah": figure(charge_ah, "A.h", counted, "integral of the supply's current, trapezoid"),
        "charge_in_wh": figure(
            energy_wh,
            "W.h",
            [*in_figure(counted, mean_v, "W.h"), *in_figure(volts, charge_ah, "W.h")],
            run.channels.volts_basis("integral of current times pack volts, trapezoid"),
        ),
    }


def _tail(run: Charged) -> dict[str, Figure]:
    fold = run.fold
    if fold.end_reason != END_CURRENT or math.isnan(fold.taper.end_amps):
        return {}
    end = [run.channels.amps_line(role="supply", amps=fold.taper.end_amps)]
    if fold.fall_a_per_s < 0 and fold.rise_v_per_s > 0:
        # The reading is taken off a straight line between samples, so its moment is sure; but a tail at other volts is
        # another tail, earlier or later by what those volts took to rise. It falls slower by then, as it is smaller.
        fall = fold.fall_a_per_s * fold.taper.end_amps / fold.end_amps
        volts = run.channels.own_volts_line(role="supply", volts=run.set_volts)
        end += in_figure(named([volts], "volts held"), fall / fold.rise_v_per_s, "A")
    words = f"supply's reading {fold.taper.hold_s:g} s after the end current was reached"
    if fold.taper.never_above:
        words = "supply's reading; the current never rose above the end current"
    made = {"end_a": figure(fold.taper.end_amps, "A", end, words)}
    if not math.isnan(fold.cv_s):
        words = "from within 10 mV of the held volts to the end current, both by the supply's readings"
        made["cv_s"] = figure(fold.cv_s, "s", _cv_lines(run), words)
    return made


def _cv_lines(run: Charged) -> list[BudgetLine]:
    fold = run.fold
    lines = [
        rectangular_line(
            source="sampling",
            half_width=0.5 * max(fold.period_s, *fold.around_cv_s),
            unit="s",
            basis="straight lines between samples, two ends",
        ),
        clock_line(fold.cv_s),
    ]
    if fold.fall_a_per_s < 0:
        end = run.channels.amps_line(role="supply", amps=fold.end_amps)
        lines += in_figure(named([end], "end current"), 1.0 / fold.fall_a_per_s, "s")
    held = [volts for _, volts in fold.plateau.inside()]
    if fold.rise_v_per_s > 0:
        # Volts held too high begin so much later; the end moves along, but how far depends on the cells.
        volts = run.channels.own_volts_line(role="supply", volts=run.set_volts)
        lines += in_figure(named([volts], "volts held"), 1.0 / fold.rise_v_per_s, "s")
    if fold.rise_v_per_s > 0 and len(held) > 2:
        scatter = statistics.stdev(held) / fold.rise_v_per_s
        basis = f"scatter of {len(held)} readings over the rise before it"
        lines.append(BudgetLine("scatter of the volts", scatter, "s", basis, dof=len(held) - 1))
    return lines


def gap_lines(counter: ChargeCounter) -> list[BudgetLine]:
    """One line a gap, A.h."""
    return [
        rectangular_line(
            source=f"gap of {gap.end_s - gap.start_s:.0f} s",
            half_width=gap.half_width_ah,
            unit="A.h",
            basis="no samples: anything up to the larger current",
        )
        for gap in counter.gaps
    ]
