"""Figures of a discharge that has ended, each with its uncertainty, and why the others are missing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.channels import Channels, Drain, clock_line, figure, in_figure, named
from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.charge_figures import gap_lines
from procedures.discharge import EMPTY, END_VOLTS, PACK_OPENED, DischargeFold
from procedures.rest import RestFold
from procedures.series import slope_of

IDS = (
    "capacity_ah", "capacity_wh", "mean_v", "rate_it", "retained_share", "end_v", "last_v", "recovery_v",
    "temp_start_c", "temp_end_c", "rise_k",
)  # fmt: skip
TEMP_SLOPE_S = 600.0


@dataclass(frozen=True, slots=True)
class Discharged:
    """A discharge with the rests around it. ``end_at``: pack or load terminals; ``full_lines``: what the charge
    of the same run leaves in doubt, A.h."""

    fold: DischargeFold
    before: RestFold
    after: RestFold
    channels: Channels
    end_at: str = "pack"
    full_lines: tuple[BudgetLine, ...] = ()

    @property
    def seconds(self) -> float:
        """From switch-on to the end, s."""
        return self.fold.end_s - self.fold.on_s

    @property
    def hours(self) -> float:
        return self.seconds / 3600.0

    @property
    def load_ah(self) -> float:
        """What the load took; nan or 0 where there was no discharge to speak of."""
        empty = self.fold.end_reason == EMPTY or not self.hours > 0
        return 0.0 if empty else self.fold.charge_ah

    @property
    def mean_a(self) -> float:
        return self.load_ah / self.hours

    @property
    def mean_v(self) -> float:
        return self.fold.energy_wh / self.load_ah

    @property
    def rest_drain(self) -> Drain:
        return self.channels.drain(volts=self.before.minute.mean, hours=self.before.seconds / 3600.0)

    @property
    def run_drain(self) -> Drain:
        return self.channels.drain_beside(volts=self.mean_v, hours=self.hours)

    def end_lines(self) -> list[BudgetLine]:
        """Uncertainty of the end voltage, V, where it was looked for."""
        if self.end_at == "load":
            return [self.channels.own_volts_line(role="load", volts=self.fold.end_v)]
        return self.channels.volts_lines(volts=self.fold.end_v, amps=self.mean_a)

    @property
    def ah_per_end_v(self) -> float:
        """How much charge one volt of the end voltage is worth, Ah/V; 0 when it was not reached down a slope."""
        slope = self.fold.end.slope_v_per_s
        ended = self.fold.end_reason == END_VOLTS and math.isfinite(slope) and slope != 0.0
        return self.mean_a / 3600.0 / abs(slope) if ended else 0.0


def figures(run: Discharged) -> dict[str, Figure]:
    """Every figure there is."""
    if not run.load_ah > 0:
        return {}
    return _counted(run) | _volts(run) | _temperatures(run)


def not_measured(run: Discharged, found: Mapping[str, Figure]) -> dict[str, str]:
    """Every other figure id, with the reason."""
    opened = run.fold.end_reason == PACK_OPENED
    why = {
        "end_v": "the pack opened before its end voltage",
        "last_v": "only for a pack that opened; this one did not",
        "recovery_v": "the pack opened: its terminals tell nothing about its cells"
        if opened
        else "no rest after the discharge was asked for, or no volts were read in it",
    }
    no_probe = "no thermometer on the pack gave a reading"
    why |= dict.fromkeys(("temp_start_c", "temp_end_c", "rise_k"), no_probe)
    if not run.load_ah > 0:
        why = dict.fromkeys(IDS, f"{run.fold.end_reason}: no charge was counted")
    return {name: why[name] for name in IDS if name not in found}


def _counted(run: Discharged) -> dict[str, Figure]:
    load_ah, mean_v = run.load_ah, run.mean_v
    rest, during = run.rest_drain, run.run_drain
    charge_ah = load_ah + rest.ah + during.ah
    rest_v = run.before.minute.mean if rest.ah else 0.0
    energy_wh = run.fold.energy_wh + rest.ah * rest_v + during.ah * mean_v
    amps = [run.channels.amps_line(role="load", amps=run.mean_a)]
    before_end = [
        *in_figure(amps, run.hours, "A.h"),
        *run.channels.drain_line(rest, during),
        *_time_lines(run),
        *gap_lines(run.fold.counter),
        *run.full_lines,
    ]
    end = in_figure(named(run.end_lines(), "end voltage"), run.ah_per_end_v, "A.h")
    counted = [*before_end, *end] if run.ah_per_end_v else before_end
    rated = run.channels.site.pack.rated_ah
    basis = f"integral of the load's current from switch-on to its end ({run.fold.end_reason})"
    if rest.ah or during.ah:
        basis += f", plus {rest.ah + during.ah:.4f} Ah that the idle supply drained since the rest began"
    return {
        "capacity_ah": figure(charge_ah, "A.h", counted, basis),
        "capacity_wh": figure(
            energy_wh, "W.h", _energy_lines(run, before_end, end), run.channels.volts_basis("current times pack volts")
        ),
        "mean_v": figure(
            mean_v,
            "V",
            [*run.channels.volts_lines(volts=mean_v, amps=run.mean_a), *_unseen_volts_lines(run)],
            run.channels.volts_basis("energy over charge"),
        ),
        "rate_it": figure(*_rate(run), "mean current out of the pack over rated Ah, per hour"),
        "retained_share": figure(
            charge_ah / rated, "1", in_figure(counted, 1 / rated, "1"), "capacity over the rated Ah of the label"
        ),
    }


def _rate(run: Discharged) -> tuple[float, str, list[BudgetLine]]:
    """The pack's mean current; how far it came out from the planned one is a finding, no doubt about it."""
    rated, drain = run.channels.site.pack.rated_ah, run.run_drain
    rate_it = (run.load_ah + drain.ah) / run.hours / rated
    lines = [
        *in_figure([run.channels.amps_line(role="load", amps=run.mean_a)], 1 / rated, "1"),
        *in_figure(run.channels.drain_line(drain), 1 / run.hours / rated, "1"),
        *in_figure(_unseen_lines(run), 1 / run.hours / rated, "1"),
    ]
    return rate_it, "1", lines


def _unseen_lines(run: Discharged) -> list[BudgetLine]:
    """What went by between samples, A.h."""
    return [_sampling_line(run), *gap_lines(run.fold.counter)]


def _unseen_volts_lines(run: Discharged) -> list[BudgetLine]:
    """What went by between samples went by at other volts than the mean, V."""
    counter = run.fold.counter
    apart_v = max(counter.highest_v - run.mean_v, run.mean_v - counter.lowest_v)
    return in_figure(_unseen_lines(run), apart_v / run.load_ah, "V")


def _energy_lines(run: Discharged, before_end: list[BudgetLine], end: list[BudgetLine]) -> list[BudgetLine]:
    """Charge lines at the volts they act at. One voltmeter's error acts on the product and on the end alike, in the
    same direction: one line for both."""
    volts = run.channels.volts_lines(volts=run.mean_v, amps=run.mean_a)
    of_charge = in_figure(before_end, run.mean_v, "W.h")
    if run.end_at == "pack":
        return [*of_charge, *in_figure(volts, run.load_ah + run.ah_per_end_v * run.fold.end_v, "W.h")]
    at_end = in_figure(end, run.fold.end_v, "W.h") if run.ah_per_end_v else []
    return [*of_charge, *in_figure(volts, run.load_ah, "W.h"), *at_end]


def _time_lines(run: Discharged) -> list[BudgetLine]:
    """What the clock and the two ends of the integral contribute, A.h."""
    fold, ah_per_s = run.fold, run.mean_a / 3600.0
    lines = in_figure([clock_line(run.seconds)], ah_per_s, "A.h")
    lines.append(_sampling_line(run))
    unseen_s = fold.opened.gone_s - fold.end_s
    if fold.end_reason == PACK_OPENED and unseen_s > 0:
        lines.append(
            rectangular_line(
                source="moment of opening",
                half_width=unseen_s * ah_per_s,
                unit="A.h",
                basis=f"within {unseen_s:.1f} s after the last good sample: reads low by up to this",
            )
        )
    return lines


def _sampling_line(run: Discharged) -> BudgetLine:
    """The current is not straight between two samples where it begins and ends, A.h. Slow instruments make it longer
    than the period."""
    return rectangular_line(
        source="sampling",
        half_width=0.5 * run.fold.counter.spacing_s * run.mean_a / 3600.0,
        unit="A.h",
        basis="half the time between samples, at the ends",
    )


def _volts(run: Discharged) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    fold, channels = run.fold, run.channels
    if fold.end_reason != PACK_OPENED:
        words = f"end voltage at the {run.end_at} terminals, as planned"
        words = channels.volts_basis(words) if run.end_at == "pack" else words
        made["end_v"] = figure(fold.end_v, "V", run.end_lines(), words)
    elif not math.isnan(fold.last_v):
        lines = channels.volts_lines(volts=fold.last_v, amps=run.mean_a)
        words = channels.volts_basis("pack volts in the last sample with more than half the set current")
        made["last_v"] = figure(fold.last_v, "V", lines, words)
    rested_v = run.after.minute.mean
    if fold.end_reason != PACK_OPENED and not math.isnan(rested_v):
        lines = [*channels.volts_lines(volts=rested_v, amps=0.0), *_overrun_lines(run, rested_v)]
        words = f"mean of the last minute of {run.after.seconds:.0f} s rest after it"
        made["recovery_v"] = figure(rested_v, "V", lines, channels.volts_basis(words))
    return made


def _overrun_lines(run: Discharged, rested_v: float) -> list[BudgetLine]:
    """The pack went on giving charge from the crossing until the load was off, and to an idle supply in the rest after
    it. Near empty its rested volts fall with charge about as those under load do, so they lie that much lower. The
    two act in one direction, so they are one line."""
    late_s = run.after.began_s - run.fold.end_s
    if not run.ah_per_end_v or not late_s >= 0:
        return []
    drain = run.channels.drain(volts=rested_v, hours=run.after.seconds / 3600.0)
    taken_ah = late_s * run.mean_a / 3600.0 + drain.ah + drain.half_width_ah
    return [
        rectangular_line(
            source="charge taken after the crossing",
            half_width=taken_ah / run.ah_per_end_v,
            unit="V",
            basis=f"{late_s:.1f} s until switched off, and the idle supply's drain: reads low by up to this",
        )
    ]


def _temperatures(run: Discharged) -> dict[str, Figure]:
    temps = run.fold.temps
    if not temps:
        return {}
    (first_s, start), (last_s, end) = temps[0], temps[-1]
    at_start = run.channels.temp_lines(slope_k_per_s=slope_of(p for p in temps if p[0] <= first_s + TEMP_SLOPE_S))
    at_end = run.channels.temp_lines(slope_k_per_s=slope_of(p for p in temps if p[0] >= last_s - TEMP_SLOPE_S))
    # One probe's error is mostly the same at both ends; taking it twice is the cautious side.
    both = [*named(in_figure(at_start, 1.0, "K"), "start"), *named(in_figure(at_end, 1.0, "K"), "end")]
    return {
        "temp_start_c": figure(start, "Cel", at_start, "pack thermometer at the first sample"),
        "temp_end_c": figure(end, "Cel", at_end, "pack thermometer at the last sample"),
        "rise_k": figure(end - start, "K", both, "temperature at the end less at the start"),
    }
