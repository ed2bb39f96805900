"""How well each quantity of the pack is known on this bench: one accuracy a channel, with its words.

Plain terms of the bench file, taken as rectangles. Gain and offset of an ammeter do not average out with the number
of samples, so a charge carries the current's whole uncertainty for the whole time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from harness.config import InstrumentEntry
from harness.result import BudgetLine as ResultLine
from harness.result import Figure
from harness.site import Site
from harness.uncertainty import BudgetLine, combine, reading_line, rectangular_line
from harness.volts_place import VoltsPlace

LEAD_SHARE = 0.10
"""How far declared lead resistance may be off: clamps, warmth, joints (judgement)."""

UNDECLARED_LEAD_OHM = 0.050
"""Leads of which nothing is declared may have up to this: some metres of thin wire and two clamps (judgement)."""

CLOCK_PPM = 50.0
"""How far a computer's monotonic clock may run off (common practice, no source)."""

UNDECLARED_BLEED_OHM = 2000.0
"""A supply left on the node may drain it with up to this when its output is off and nothing is declared (judgement)."""

BLEED_SHARE = 0.25
"""How far a declared bleed resistance may be off (judgement)."""

PROBE_LAG_S = 60.0
"""A thermometer taped to a case follows its cells with up to this time constant (judgement)."""


@dataclass(frozen=True, slots=True)
class Drain:
    """Charge an idle supply took from the pack, Ah, known to ``half_width_ah``."""

    ah: float = 0.0
    half_width_ah: float = 0.0


@dataclass(frozen=True, slots=True)
class Channels:
    """The channels of one run. Everything in V, A, degC."""

    site: Site
    place: VoltsPlace

    def _entry(self, role: str) -> InstrumentEntry:
        entry = self.site.bench.one(role)
        if entry is None:
            raise LookupError(f"bench file: no {role}; no uncertainty can be given for what it would measure")
        return entry

    @property
    def _shunt(self) -> InstrumentEntry | None:
        return next((entry for entry in self.site.bench.instruments if entry.shunt is not None), None)

    def volts_lines(self, *, volts: float, amps: float) -> list[BudgetLine]:
        """Uncertainty of pack volts at ``volts`` with ``amps`` flowing, V."""
        entry = next(e for e in self.site.bench.instruments if e.name == self.place.name)
        lines = [reading_line(source=f"{entry.name} volts", reading=volts, terms=entry.volts_accuracy, unit="V")]
        return [*lines, *self._of_leads(amps)]

    def _of_leads(self, amps: float) -> list[BudgetLine]:
        """What the drop in the leads adds, V; nothing where volts are sensed at the pack itself."""
        if not self.place.drop_known:
            half, source = abs(amps) * UNDECLARED_LEAD_OHM, "leads not declared"
            basis = f"up to {1000 * UNDECLARED_LEAD_OHM:g} mohm assumed: give lead_mohm, or sense at the pack"
        elif self.place.ohm:
            half, source = LEAD_SHARE * abs(amps) * self.place.ohm, "declared leads"
            basis = f"{100 * LEAD_SHARE:g} % of {1000 * self.place.ohm:.1f} mohm, judgement"
        else:
            return []
        return [rectangular_line(source=source, half_width=half, unit="V", basis=basis)]

    def volts_change_lines(self, *, volts: float, amps: float) -> list[BudgetLine]:
        """Uncertainty of a change of pack volts by ``volts`` with a change of current by ``amps``, V.

        Both ends are read by one instrument on one range within minutes, so its offset drops out and its gain is left.
        """
        entry = next(e for e in self.site.bench.instruments if e.name == self.place.name)
        gain = replace(entry.volts_accuracy, range_pct=0.0, fixed=0.0)
        line = reading_line(source=f"{entry.name} volts", reading=volts, terms=gain, unit="V")
        lines = [replace(line, basis=f"{line.basis}, of the change: the offset drops out")]
        return [*lines, *self._of_leads(amps)]

    def own_volts_line(self, *, role: str, volts: float) -> BudgetLine:
        """Uncertainty of what ``role`` (load or supply) itself reads at its terminals or sense leads, V."""
        entry = self._entry(role)
        return reading_line(source=f"{entry.name} volts", reading=volts, terms=entry.volts_accuracy, unit="V")

    def amps_line(self, *, role: str, amps: float) -> BudgetLine:
        """Uncertainty of the current, A, as the shunt's meter measures it, or else ``role`` (load or supply)."""
        entry = self._shunt or self._entry(role)
        return reading_line(source=f"{entry.name} amps", reading=amps, terms=entry.amps_accuracy, unit="A")

    def drain_beside(self, *, volts: float, hours: float) -> Drain:
        """``drain`` while current flows and is counted: a shunt in the pack's lead has counted it already."""
        return Drain() if self._shunt is not None else self.drain(volts=volts, hours=hours)

    def drain(self, *, volts: float, hours: float) -> Drain:
        """What a supply left connected, its output off, takes from the pack at ``volts`` (V) in ``hours``.

        Without ``off_bleed_ohm`` in the bench file nothing is taken off, and the doubt is all that may have flowed.
        """
        supply = self.site.bench.one("supply")
        if supply is None or not math.isfinite(volts):
            return Drain()
        if supply.off_bleed_ohm is None:
            return Drain(0.0, volts / UNDECLARED_BLEED_OHM * hours)
        ah = volts / supply.off_bleed_ohm * hours
        return Drain(ah, BLEED_SHARE * ah)

    def drain_line(self, *drains: Drain) -> list[BudgetLine]:
        """The doubt about ``drains`` as one line, A.h; none without a supply."""
        supply = self.site.bench.one("supply")
        if supply is None:
            return []
        if supply.off_bleed_ohm is not None:
            basis = f"{100 * BLEED_SHARE:g} % of the declared off_bleed_ohm, judgement"
        else:
            basis = f"off_bleed_ohm not declared, up to {UNDECLARED_BLEED_OHM:g} ohm assumed: declare it or unplug"
        half = sum(one.half_width_ah for one in drains)
        source = f"{supply.name} left connected, off"
        return [rectangular_line(source=source, half_width=half, unit="A.h", basis=basis)]

    def temp_lines(self, *, slope_k_per_s: float = 0.0) -> list[BudgetLine]:
        """Uncertainty of the pack's temperature while it moves at ``slope_k_per_s``, in Cel."""
        entry = next(e for e in self.site.bench.instruments if e.role == "thermometer" and e.measures == "pack")
        lag = PROBE_LAG_S * abs(slope_k_per_s) if math.isfinite(slope_k_per_s) else 0.0
        basis = f"up to {PROBE_LAG_S:g} s behind, judgement"
        return [
            reading_line(source=f"{entry.name}", reading=0.0, terms=entry.temp_accuracy, unit="Cel"),
            rectangular_line(source="probe lag", half_width=lag, unit="Cel", basis=basis),
        ]

    def volts_basis(self, words: str) -> str:
        """``words`` and, when volts are not measured at the pack or UPS itself, how they were come by."""
        what = "pack volts" if self.place.subject == "pack" else "volts at the UPS"
        plain = self.place.drop_known and not self.place.ohm
        return words if plain else f"{words}; {what} {self.place.words}"


def clock_line(seconds: float) -> BudgetLine:
    """Uncertainty of a stretch of time by the computer's clock, s."""
    return rectangular_line(
        source="clock", half_width=CLOCK_PPM * 1e-6 * seconds, unit="s", basis=f"{CLOCK_PPM:g} ppm, common practice"
    )


def in_figure(lines: list[BudgetLine], factor: float, unit: str) -> list[BudgetLine]:
    """Lines as they act on a figure: each times the sensitivity ``factor``, in the figure's ``unit``."""
    return [line.times(abs(factor), unit=unit) for line in lines]


def named(lines: list[BudgetLine], what: str) -> list[BudgetLine]:
    """The same lines, their source headed by ``what`` they act through."""
    return [replace(line, source=f"{what}, {line.source}") for line in lines]


def figure(value: float, unit: str, lines: list[BudgetLine], basis: str) -> Figure:
    """A figure with its expanded uncertainty (quadrature, k = 2) and its budget.

    Sources whose accuracy nobody gave are named in its basis.
    """
    total = combine(lines)
    assumed = dict.fromkeys(line.source for line in lines if line.basis.startswith("assumed"))
    if assumed:
        basis += f"; accuracy ASSUMED, not given: {', '.join(assumed)}"
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
