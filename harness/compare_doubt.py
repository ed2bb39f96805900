"""The doubt of a change between two runs, and what of it cancels because one instrument measured both.

JCGM 100:2008 (the GUM), 5.2.2: for correlated inputs the covariances count as well. An instrument of the same serial
number, by the same calibration, has in both runs the same systematic error, so that r = +1 (its 5.2.2, equation 16, and
F.1.2.3): of the difference of two figures the difference of their contributions is left, of the ratio hardly anything.
What it drifted meanwhile is not common. An accuracy is usually stated for a year after calibration (common practice, no
source), so in that time an instrument is taken to drift by all of it at most, in less by as much less (judgement).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from harness.channels import figure
from harness.result import BudgetLine as ResultLine
from harness.result import Figure, InstrumentUsed, Result
from harness.uncertainty import BudgetLine

YEAR_DAYS = 365.0
NO_RATIO = ("Cel", "K")


@dataclass(frozen=True, slots=True)
class Common:
    """Whether one instrument's errors are common to two runs: ``drift`` is the share of its accuracy by which it may
    have moved meanwhile; None: nothing is common, ``why`` says why."""

    name: str
    drift: float | None
    why: str


def days_apart(earlier: Result, later: Result) -> float:
    """Days between the starts of two runs; 365 where a start cannot be read, the cautious side."""
    try:
        began = [datetime.fromisoformat(one.started) for one in (earlier, later)]
        return abs((began[1] - began[0]).total_seconds()) / 86400.0
    except (ValueError, TypeError):
        return YEAR_DAYS


def common_instruments(earlier: Result, later: Result) -> dict[str, Common]:
    """By name, every instrument of either run."""
    mine, theirs = _by_name(earlier), _by_name(later)
    drift = min(1.0, days_apart(earlier, later) / YEAR_DAYS)
    return {name: _common(name, mine.get(name), theirs.get(name), drift) for name in mine | theirs}


def _by_name(result: Result) -> dict[str, InstrumentUsed]:
    return {one.name: one for one in (result.bench.instruments if result.bench else ())}


def _common(name: str, a: InstrumentUsed | None, b: InstrumentUsed | None, drift: float) -> Common:
    if a is None or b is None:
        return Common(name, None, f"{name}: in one of the runs only")
    if not a.serial or a.serial != b.serial or a.identity.split(",")[:3] != b.identity.split(",")[:3]:
        return Common(name, None, f"{name}: not the same instrument, as far as serial numbers tell")
    if not a.calibrated or not b.calibrated:
        return Common(
            name, None, f"{name}: no calibration date in the bench file, so it may have been adjusted meanwhile"
        )
    if a.calibrated != b.calibrated:
        return Common(name, None, f"{name}: calibrated in between ({a.calibrated} and {b.calibrated})")
    if a.accuracy != b.accuracy:
        return Common(name, None, f"{name}: its accuracy stands differently in the two bench files")
    words = f"{name}: same instrument (serial {a.serial}), same calibration ({a.calibrated}); its error cancels"
    return Common(name, drift, f"{words} but for a drift of {_percent(drift)} of its accuracy meanwhile, judgement")


def _percent(share: float) -> str:
    return f"{float(f'{100 * share:.2g}'):g} %"


@dataclass(frozen=True, slots=True)
class Pair:
    """One source in both figures, as standard uncertainties in their unit; ``drift`` as in ``Common``."""

    source: str
    earlier: float
    later: float
    drift: float | None
    basis: str


def pairs(earlier: Figure, later: Figure, common: Mapping[str, Common]) -> Iterator[Pair]:
    """Sources of both figures side by side. One that stands several times in a budget is never taken as common."""
    mine, theirs = _sources(earlier.budget), _sources(later.budget)
    for source in mine | theirs:
        a, b = mine.get(source, []), theirs.get(source, [])
        known = common.get(instrument_of(source, common))
        drift = known.drift if known is not None and len(a) == len(b) == 1 else None
        basis = (a or b)[0].basis
        yield Pair(source, _root(a), _root(b), drift, basis)


def _sources(lines: Sequence[ResultLine]) -> dict[str, list[ResultLine]]:
    found: dict[str, list[ResultLine]] = {}
    for line in lines:
        found.setdefault(line.source, []).append(line)
    return found


def _root(lines: Sequence[ResultLine]) -> float:
    return math.hypot(*(line.standard_uncertainty for line in lines))


def instrument_of(source: str, names: Mapping[str, object]) -> str:
    """Whose accuracy a line is: "end voltage, meter volts" is the meter's; "" for a line that is no accuracy."""
    last = source.rpartition(", ")[2]
    return next((name for name in names if last in (name, f"{name} volts", f"{name} amps")), "")


def difference(earlier: Figure, later: Figure, found: Sequence[Pair]) -> Figure:
    """Later less earlier."""
    value = float(later.value) - float(earlier.value)
    lines = [line for one in found for line in _lines(one, later.unit, earlier_factor=1.0, later_factor=1.0)]
    return _figure(value, later.unit, lines, "later less earlier")


def ratio(earlier: Figure, later: Figure, found: Sequence[Pair]) -> Figure | None:
    """Later over earlier; None where the earlier one is not clear of 0, and for temperatures, whose 0 is no nothing."""
    first, second = float(earlier.value), float(later.value)
    if earlier.unit in NO_RATIO or not abs(first) > (earlier.expanded_uncertainty or 0.0):
        return None
    # Sensitivities of later / earlier: 1 / earlier and later / earlier squared (JCGM 100:2008, 5.1.3).
    one_over, squared = 1.0 / abs(first), abs(second) / first**2
    lines = [line for one in found for line in _lines(one, "1", earlier_factor=squared, later_factor=one_over)]
    return _figure(second / first, "1", lines, "later over earlier")


def _lines(one: Pair, unit: str, *, earlier_factor: float, later_factor: float) -> Iterator[BudgetLine]:
    a, b = earlier_factor * one.earlier, later_factor * one.later
    if one.drift is None:
        yield BudgetLine(one.source, math.hypot(a, b), unit, f"{one.basis}; of both runs, independent")
        return
    yield BudgetLine(one.source, abs(b - a), unit, f"{one.basis}; common to both runs, what is left of it")
    yield BudgetLine(
        f"{one.source}, drift meanwhile", one.drift * b, unit, "of the accuracy, by the time between, judgement"
    )


def _figure(value: float, unit: str, lines: list[BudgetLine], basis: str) -> Figure:
    return figure(value, unit, lines or [BudgetLine("none given", 0.0, unit, "no budget in the records")], basis)
