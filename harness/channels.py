"""How well each quantity of the pack is known on this bench: one accuracy a channel, with its words.

Plain terms of the bench file, taken as rectangles. Gain and offset of an ammeter do not average out with the number
of samples, so a charge carries the current's whole uncertainty for the whole time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.result import BudgetLine as ResultLine
from harness.result import Figure
from harness.rig import VoltsPlace
from harness.site import Site
from harness.uncertainty import BudgetLine, combine, reading_line, rectangular_line

LEAD_SHARE = 0.10
"""How far declared lead resistance may be off: clamps, warmth, joints (judgement)."""

CLOCK_PPM = 50.0
"""How far a computer's monotonic clock may run off (common practice, no source)."""

UNDECLARED_BLEED_OHM = 2000.0
"""A supply left on the node may drain it with up to this when its output is off and nothing is declared (judgement)."""

BLEED_SHARE = 0.25
"""How far a declared bleed resistance may be off (judgement)."""


@dataclass(frozen=True, slots=True)
class Channels:
    """The channels of one run. Everything in V, A, degC."""

    site: Site
    place: VoltsPlace

    def volts_lines(self, *, volts: float, amps: float) -> list[BudgetLine]:
        """Uncertainty of pack volts at ``volts`` with ``amps`` flowing, V."""
        entry = next(e for e in self.site.bench.instruments if e.name == self.place.name)
        lines = [reading_line(source=f"{entry.name} volts", reading=volts, terms=entry.volts_accuracy, unit="V")]
        if self.place.ohm:
            drop = LEAD_SHARE * abs(amps) * self.place.ohm
            lines.append(
                rectangular_line(
                    source="declared leads",
                    half_width=drop,
                    unit="V",
                    basis=f"{100 * LEAD_SHARE:g} % of {1000 * self.place.ohm:.1f} mohm, judgement",
                )
            )
        return lines

    def amps_lines(self, *, role: str, amps: float, volts: float) -> list[BudgetLine]:
        """Uncertainty of the pack's current as ``role`` (load or supply) measures it, A."""
        entry = self.site.bench.one(role)
        assert entry is not None
        lines = [reading_line(source=f"{entry.name} amps", reading=amps, terms=entry.amps_accuracy, unit="A")]
        if role == "load" and self.site.bench.one("supply") is not None:
            lines.append(self._bleed_line(volts))
        return lines

    def bleed_amps(self, volts: float) -> float:
        """Current the supply's output drains from the pack while off, A; 0 when nothing is declared."""
        supply = self.site.bench.one("supply")
        if supply is None or supply.off_bleed_ohm is None or math.isnan(volts):
            return 0.0
        return volts / supply.off_bleed_ohm

    def _bleed_line(self, volts: float) -> BudgetLine:
        supply = self.site.bench.one("supply")
        assert supply is not None
        if supply.off_bleed_ohm is not None:
            half = BLEED_SHARE * volts / supply.off_bleed_ohm
            basis = f"{100 * BLEED_SHARE:g} % of the declared off_bleed_ohm, judgement"
        else:
            half = volts / UNDECLARED_BLEED_OHM
            basis = f"off_bleed_ohm not declared, up to {UNDECLARED_BLEED_OHM:g} ohm assumed: declare it or unplug"
        return rectangular_line(source=f"{supply.name} left connected, off", half_width=half, unit="A", basis=basis)

    def temp_lines(self) -> list[BudgetLine]:
        entry = next(e for e in self.site.bench.instruments if e.role == "thermometer" and e.measures == "pack")
        return [reading_line(source=f"{entry.name}", reading=0.0, terms=entry.temp_accuracy, unit="Cel")]


def clock_line(seconds: float) -> BudgetLine:
    """Uncertainty of a stretch of time by the computer's clock, s."""
    return rectangular_line(
        source="clock", half_width=CLOCK_PPM * 1e-6 * seconds, unit="s", basis=f"{CLOCK_PPM:g} ppm, common practice"
    )


def in_figure(lines: list[BudgetLine], factor: float, unit: str) -> list[BudgetLine]:
    """Lines as they act on a figure: each times the sensitivity ``factor``, in the figure's ``unit``."""
    return [line.times(abs(factor), unit=unit) for line in lines]


def figure(value: float, unit: str, lines: list[BudgetLine], basis: str) -> Figure:
    """A figure with its expanded uncertainty (quadrature, k = 2) and its budget."""
    total = combine(lines)
    return Figure(
        value=value,
        unit=unit,
        expanded_uncertainty=total.expanded_uncertainty,
        coverage_factor=total.coverage_factor,
        dof=total.dof,
        budget=tuple(
            ResultLine(source=x.source, standard_uncertainty=x.standard_uncertainty, unit=x.unit, basis=x.basis)
            for x in total.budget
        ),
        basis=basis,
    )
