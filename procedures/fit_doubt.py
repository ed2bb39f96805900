"""The doubts about a case, and how each acts on whatever is computed from it.

A source moves everything it acts on at once (one voltmeter reads every curve, one ammeter scales every charge), so what
is common to several inputs is counted once and in its own direction. Sources are taken as independent of each other.
That the pack's volts and the UPS's were perhaps read by one meter, so that its error drops out of a margin, is left
out: the cautious side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Generic, Literal, TypeVar

import msgspec

from harness.channels import figure
from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular
from procedures.fit_case import LEAD_OHM, Case, case_of, resistance
from procedures.fit_facts import Facts
from procedures.fit_ups import FLOOR_DOUBT_V_CELL, POWER_DOUBT

Bound = Literal["", "at least", "at most"]
T = TypeVar("T")

REST_DOUBT_V_CELL = 0.02
"""How far a pack on charge may stand above its rested volts beyond what the resistance of minutes tells (judgement)."""

METHOD_ONE, METHOD_MORE = 0.05, 0.04
"""How far a prediction was off on a physics-based cell, half-width as a share: 5.1 % from one slow curve at 0.4 It,
4.0 % from three rates around 1.5 to 2 It (tests/reference/test_fit_runtime.py)."""


@dataclass(frozen=True, slots=True)
class Source:
    """One doubt: ``move`` gives the case as it would be one standard uncertainty off, up or down (+1, -1)."""

    name: str
    basis: str
    move: Callable[[Case, float], Case]


def sources(facts: Facts) -> tuple[Source, ...]:
    """Every doubt there is about this case."""
    return (*_pack_sources(facts), *_ups_sources(facts))


def _pack_sources(facts: Facts) -> Iterable[Source]:
    pack = facts.pack_side
    if pack.curves:
        yield Source("pack volts", "of the capacity runs, one meter for all", _volts_move(pack.volts_u))
        yield Source("discharge current", "of the capacity runs, one ammeter for all", _scale_move(pack.charge_share_u))
    ohm, u, basis = resistance(facts)
    if math.isfinite(ohm):
        yield Source("resistance", basis, lambda case, sign: replace(case, charge_ohm=max(ohm + sign * u, 0.0)))
        if len(pack.curves) == 1:
            yield Source("resistance of the curve", basis, _ohm_move(u))
    if pack.charge is not None:
        yield Source("charge current", "of the charge", _charge_move(pack.charge_share_in_u))
        u = rectangular(REST_DOUBT_V_CELL * facts.pack.cells_in_series)
        words = f"{1000 * REST_DOUBT_V_CELL:g} mV a cell beyond the drop over the resistance, judgement; rectangular"
        yield Source("charge, not at rest", words, _rest_move(u))
    half = METHOD_ONE if len(pack.curves) == 1 else METHOD_MORE
    words = f"{100 * half:g} %, as found on a physics-based cell; rectangular"
    yield Source("method", words, lambda case, sign: replace(case, method=sign * rectangular(half)))


def _ups_sources(facts: Facts) -> Iterable[Source]:
    ups = facts.ups_side
    if ups.sweeps:
        away_v = rectangular(FLOOR_DOUBT_V_CELL * facts.ups.cells_in_series)
        yield Source("floor", "of the sweep", _ups_move("floor_v", ups.floor_u))
        yield Source(
            "floor at another load",
            f"up to {FLOOR_DOUBT_V_CELL:g} V a lead cell, judgement",
            _ups_move("floor_law", away_v),
        )
        yield Source("battery power", "of the sweep", _ups_move("power", ups.power_share_u))
        yield Source("AC load", "of the sweeps, one way of knowing it for all", _ups_move("load", ups.load_share_u))
        words = f"up to {100 * POWER_DOUBT:g} % of the difference, judgement"
        yield Source("battery power at another load", words, _ups_move("power_law", rectangular(POWER_DOUBT)))
    words = f"0 to {2000 * LEAD_OHM:g} mohm between pack and UPS, judgement; rectangular"
    u = rectangular(LEAD_OHM)
    yield Source("leads", words, lambda case, sign: replace(case, lead_ohm=case.lead_ohm + sign * u))
    if known := ups.ceiling:
        yield Source("ceiling", "of the probe", lambda case, s: replace(case, ceiling_v=case.ceiling_v + s * known.u))
    if amps := ups.charge_a:
        yield Source(
            "charger's current", "of the probe", lambda case, s: replace(case, charge_a=amps.value + s * amps.u)
        )


def _volts_move(u: float) -> Callable[[Case, float], Case]:
    def move(case: Case, sign: float) -> Case:
        charge = case.charge and replace(case.charge, volts=case.charge.volts + sign * u)
        return replace(case, family=case.family and case.family.moved(volts=sign * u), charge=charge)

    return move


def _rest_move(u: float) -> Callable[[Case, float], Case]:
    """Volts of the charge alone: the rested pack would have stood lower or higher."""
    return lambda case, s: replace(case, charge=case.charge and replace(case.charge, volts=case.charge.volts + s * u))


def _scale_move(u: float) -> Callable[[Case, float], Case]:
    return lambda case, sign: replace(case, family=case.family and case.family.moved(scale=1.0 + sign * u))


def _ohm_move(u: float) -> Callable[[Case, float], Case]:
    return lambda case, sign: replace(case, family=case.family and case.family.moved(ohm=sign * u))


def _charge_move(u: float) -> Callable[[Case, float], Case]:
    def move(case: Case, sign: float) -> Case:
        charge = case.charge and replace(case.charge, missing_ah=case.charge.missing_ah * (1.0 + sign * u))
        return replace(case, charge=charge)

    return move


def _ups_move(what: str, u: float) -> Callable[[Case, float], Case]:
    return lambda case, sign: replace(case, ups=case.ups and case.ups.moved(**{what: sign * u}))


@dataclass(frozen=True, slots=True, eq=False)
class Doubted:
    """A case, and for each source the case one standard uncertainty off to either side."""

    case: Case
    moved: tuple[tuple[Source, Case, Case], ...]


def doubted(facts: Facts) -> Doubted:
    """The case as measured, with all its doubts."""
    case = case_of(facts)
    return Doubted(case, tuple((one, one.move(case, 1.0), one.move(case, -1.0)) for one in sources(facts)))


@dataclass(frozen=True, slots=True, eq=False)
class Spread(Generic[T]):
    """What was computed from the case, and from each of its moved ones."""

    value: T
    moved: tuple[tuple[Source, T, T], ...]


def spread(of: Callable[[Case], T], about: Doubted) -> Spread[T]:
    """``of`` the case and of every moved one."""
    return Spread(of(about.case), tuple((source, of(up), of(down)) for source, up, down in about.moved))


def as_figure(
    found: Spread[T],
    pick: Callable[[T], float],
    *,
    unit: str,
    basis: str,
    bound: Bound = "",
    more: Iterable[BudgetLine] = (),
) -> Figure:
    """A figure with its budget: each source's line is how far it moves the figure, the larger of the two directions.

    Raises LookupError when there is no number, or a doubt leaves none.
    """
    value = pick(found.value)
    if not math.isfinite(value):
        raise LookupError("nothing to compute it from")
    lines = [*more]
    for source, up, down in found.moved:
        away = max(abs(pick(up) - value), abs(pick(down) - value))
        if not math.isfinite(away):
            raise LookupError(f"the doubt about {source.name} leaves no number")
        if away > 0.0:
            lines.append(BudgetLine(source.name, away, unit, source.basis))
    if not lines:
        lines.append(BudgetLine("files", 0.0, unit, "nothing measured acts on it"))
    return msgspec.structs.replace(figure(value, unit, lines, basis), bound=bound)


def number(of: Callable[[Case], float], about: Doubted, *, unit: str, basis: str, bound: Bound = "") -> Figure:
    """The same for what is a number at once."""
    return as_figure(spread(of, about), lambda value: value, unit=unit, basis=basis, bound=bound)
