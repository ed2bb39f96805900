"""Standard uncertainties and how they add up (JCGM 100:2008, the GUM).

An accuracy in a data sheet is taken as the half-width ``a`` of a rectangular distribution, ``u = a / sqrt(3)`` (GUM
4.3.7). Contributions are added in quadrature as if independent (GUM 5.1.2); a procedure whose readings share one
instrument's gain or offset must therefore give that instrument one line, not one for each reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty given, about 95 % for a normal distribution (GUM 6.2.1, G.6.6)."""

ASSUMED_READING_PCT = 0.5
ASSUMED_RANGE_PCT = 0.1
"""The class taken, and printed, where an instrument's accuracy is not given."""


def _finite(name: str, value: float, *, least: float = -math.inf) -> float:
    if not (math.isfinite(value) and value >= least):
        raise ValueError(f"uncertainty: {name} = {value:g}: not a finite number of at least {least:g}")
    return value


@dataclass(frozen=True, slots=True)
class AccuracyTerms:
    """Accuracy of an instrument: ``reading_pct`` of the reading + ``range_pct`` of ``range_`` + ``fixed``.

    ``range_`` and ``fixed`` are in the unit measured. ``assumed``: not given by the person, the assumed class is used.
    Raises ValueError for anything negative or not finite.
    """

    reading_pct: float
    range_pct: float
    range_: float
    assumed: bool = False
    fixed: float = 0.0

    def __post_init__(self) -> None:
        for name in ("reading_pct", "range_pct", "range_", "fixed"):
            _finite(name, getattr(self, name), least=0.0)

    def half_width(self, reading: float) -> float:
        """Largest error, same unit as ``reading``. Raises ValueError when the reading is not finite."""
        of_reading = self.reading_pct * abs(_finite("reading", reading))
        return (of_reading + self.range_pct * self.range_) / 100.0 + self.fixed

    def standard_uncertainty(self, reading: float) -> float:
        """``half_width / sqrt(3)`` (GUM 4.3.7): gain and offset taken as one rectangle, the more cautious way."""
        return rectangular(self.half_width(reading))

    def words(self, unit: str) -> str:
        """The terms as a person reads them."""
        parts = []
        if self.reading_pct:
            parts.append(f"{self.reading_pct:g} % of reading")
        if self.range_pct:
            parts.append(f"{self.range_pct:g} % of range {self.range_:g} {unit}")
        if self.fixed or not parts:
            parts.append(f"{self.fixed:g} {unit}")
        return ("assumed, not given: " if self.assumed else "") + " + ".join(parts)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution to a figure, already in the figure's unit (UCUM). ``dof`` None: infinite (type B)."""

    source: str
    standard_uncertainty: float
    unit: str
    basis: str
    dof: float | None = None

    def __post_init__(self) -> None:
        _finite(f"{self.source}: standard_uncertainty", self.standard_uncertainty, least=0.0)
        if self.dof is not None:
            _finite(f"{self.source}: dof", self.dof, least=1.0)

    def times(self, factor: float, *, unit: str) -> BudgetLine:
        """The line in another unit: ``factor`` is the sensitivity coefficient |c| (GUM 5.1.3)."""
        return replace(self, standard_uncertainty=abs(factor) * self.standard_uncertainty, unit=unit)


@dataclass(frozen=True, slots=True)
class Combined:
    """Quadrature sum of a budget. ``dof`` None: infinite."""

    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    dof: float | None
    unit: str
    budget: tuple[BudgetLine, ...]


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within ``half_width`` of another (GUM 4.3.7)."""
    return _finite("half_width", half_width, least=0.0) / math.sqrt(3.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a display that moves in steps (GUM F.2.2.1)."""
    return rectangular(step / 2.0)


def reading_line(*, source: str, reading: float, terms: AccuracyTerms, unit: str) -> BudgetLine:
    """The line of one instrument's accuracy at ``reading``, both in ``unit`` (UCUM)."""
    basis = f"{terms.words(unit)}; rectangular"
    return BudgetLine(source, terms.standard_uncertainty(reading), unit, basis)


def rectangular_line(*, source: str, half_width: float, unit: str, basis: str) -> BudgetLine:
    """The line of a value known to lie within ``half_width``."""
    return BudgetLine(source, rectangular(half_width), unit, f"{basis}; rectangular")


def scatter_line(*, source: str, values: Sequence[float], unit: str) -> BudgetLine:
    """The line of a mean of repeated readings: type A, s / sqrt(n) with n - 1 degrees of freedom (GUM 4.2.3)."""
    n = len(values)
    if n < 2:
        raise ValueError(f"uncertainty: {source}: {n} values, a scatter needs at least 2")
    mean = math.fsum(_finite(source, value) for value in values) / n
    s = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))
    return BudgetLine(source, s / math.sqrt(n), unit, f"scatter of {n} readings", dof=n - 1)


def combine(lines: Iterable[BudgetLine]) -> Combined:
    """Quadrature sum of ``lines`` and its expanded uncertainty, k = 2; effective degrees of freedom by GUM G.4.1.

    Raises ValueError for no lines or for lines in more than one unit.
    """
    budget = tuple(lines)
    units = {line.unit for line in budget}
    if len(units) != 1:
        raise ValueError(f"uncertainty: lines in {sorted(units) or 'no unit at all'}, wanted lines in one unit")
    u = math.hypot(*(line.standard_uncertainty for line in budget))
    return Combined(u, COVERAGE_FACTOR * u, COVERAGE_FACTOR, _effective_dof(u, budget), units.pop(), budget)


def _effective_dof(u: float, budget: Sequence[BudgetLine]) -> float | None:
    # As ratios to u, so that squares of squares of small numbers cannot vanish.
    shares = [(line.standard_uncertainty / u) ** 4 / line.dof for line in budget if line.dof is not None and u > 0]
    total = math.fsum(shares)
    # Rounded down (GUM G.4.1); the small excess keeps an exact whole number from falling by one.
    return float(math.floor(1.0 / total + 1e-9)) if total > 0 else None
