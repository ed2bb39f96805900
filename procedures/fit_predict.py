"""Runtime, charge and energy at a load, and how sure the rates measured make them.

Rates around the UPS's current make a prediction. A current above every rate makes an upper bound only: what a faster
discharge loses was not seen. A current below every rate makes a lower bound, and so do curves that ended above the
floor. Nothing is carried on beyond what was measured without saying so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.result import Figure
from procedures.fit_case import Case
from procedures.fit_curves import Family
from procedures.fit_doubt import Bound, Doubted, as_figure, spread
from procedures.fit_facts import Facts
from procedures.fit_runtime import Carried
from procedures.fit_share import AT_LEAST

SLOW_IT = 0.5
"""Up to this rate one slow curve, moved by a resistance, may predict at all."""

SLACK = 1.05
"""A current this much above the fastest rate still counts as measured (judgement)."""


@dataclass(frozen=True, slots=True)
class Predicted:
    """What the pack gives at ``load_w`` on the output. ``how``: by what, for the reader; ``bound`` as the figures'."""

    load_w: float
    runtime_s: Figure
    charge_ah: Figure
    energy_wh: Figure
    first_amps: float
    last_amps: float
    bound: Bound
    how: str
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Way:
    choose: Callable[[Family], Family]
    how: str
    bound: Bound = ""


def predicted(facts: Facts, about: Doubted, load_w: float) -> Predicted:
    """Raises LookupError, in words, when nothing can be said."""
    if not load_w > 0:
        raise LookupError("no load is known: neither [site] load_w nor ac_load_w in the UPS file")
    case = about.case
    way = _way(case, case.run(load_w), rated_ah=facts.pack.rated_ah)
    found = spread(lambda one: one.run(load_w, None if one.family is None else way.choose(one.family)), about)
    bound = _bound(way, found.value, missing_bound=case.missing_ah()[1])
    basis = f"{way.how}, {found.value.first_amps:.3g} to {found.value.last_amps:.3g} A"

    def made(pick: Callable[[Carried], float], unit: str) -> Figure:
        return as_figure(found, pick, unit=unit, basis=basis, bound=bound)

    return Predicted(
        load_w=load_w,
        runtime_s=made(lambda one: one.seconds, "s"),
        charge_ah=made(lambda one: one.charge_ah, "A.h"),
        energy_wh=made(lambda one: one.energy_wh, "W.h"),
        first_amps=found.value.first_amps,
        last_amps=found.value.last_amps,
        bound=bound,
        how=way.how,
        runs=rests_on(facts),
    )


def rests_on(facts: Facts) -> tuple[str, ...]:
    """Runs that every prediction rests on."""
    pack, ups = facts.pack_side, facts.ups_side
    runs = [curve.run for curve in pack.curves]
    runs += [pack.charge.run] if pack.charge else []
    runs += [sweep.run for sweep in ups.sweeps]
    runs += [ups.ceiling.run] if ups.ceiling else []
    return tuple(dict.fromkeys(runs))


def _way(case: Case, plain: Carried, *, rated_ah: float) -> _Way:
    family = case.family
    assert family is not None
    rates = " and ".join(f"{curve.amps:.3g} A" for curve in family.curves)
    if not plain.last_amps >= family.least_amps:
        return _Way(Family.slowest, f"slower than every rate measured ({rates}): that of the slowest", "at least")
    if len(family.curves) == 1:
        if plain.last_amps <= SLOW_IT * rated_ah:
            return _Way(_itself, f"from one rate ({rates}) and the resistance")
        words = f"faster than the one rate measured ({rates}), what that loses beyond resistance is not seen"
        return _Way(_itself, words, "at most")
    if plain.last_amps <= SLACK * family.most_amps:
        return _Way(_itself, f"from the rates around it ({rates})")
    return _Way(Family.held_back, f"faster than every rate measured ({rates}): that of the fastest", "at most")


def _itself(family: Family) -> Family:
    return family


def _bound(way: _Way, made: Carried, *, missing_bound: str) -> Bound:
    """What remains when two things each make a bound: only bounds to the same side say anything."""
    sides: set[Bound] = {way.bound} if way.bound else set()
    if not made.at_floor:
        sides.add("at least")
    if missing_bound == AT_LEAST:
        sides.add("at most")
    if len(sides) > 1:
        raise LookupError(f"{way.how}, and the curves ended above the floor or the charge began above the ceiling")
    return sides.pop() if sides else ""
