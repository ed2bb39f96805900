"""What the report of a verdict shows besides its words: measured values, margins by rule, runtime over load, and the
usable charge between the charger's ceiling and the UPS's floor."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from harness.result import Figure
from harness.verdict_shown import BY_FLOOR, BY_PACK, Columns, Measured, RuleMargin, Shown, Usable
from procedures.fit_facts import Known
from procedures.fit_runs import Run
from procedures.fit_runtime import carried, course
from procedures.fit_work import Work

LOADS = 18
"""Loads at which runtime is computed for the curve, beside the site's and the swept ones."""

LEAST_LOAD = 0.12
"""Of the rated load: where the curve begins."""

NO_FLOOR = 0.5
"""Of the lowest volts of any curve: a floor that no pack reaches."""

CURVE_POINTS = 120


def shown_of(work: Work, runs: Sequence[Run]) -> Shown:
    """All of it; what cannot be computed is left out."""
    facts, site = work.facts, work.facts.site
    need = site.runtime_needed_min
    return Shown(
        measured=dict(_measured(work, {run.name: run for run in runs})),
        margins=tuple(_margins(work)),
        runtime=_runtime(work),
        usable=_usable(work),
        load_w=facts.usual_w,
        load_w_max=math.nan if site.load_w_max is None else site.load_w_max,
        needed_s=math.nan if need is None else 60.0 * need,
    )


# -- measured values ---------------------------------------------------------------------------------------------------


def _measured(work: Work, runs: dict[str, Run]) -> Iterator[tuple[str, Measured]]:
    facts = work.facts
    curves, sweeps, ceiling = facts.pack_side.curves, facts.ups_side.sweeps, facts.ups_side.ceiling
    slow = curves[0] if curves else None
    where = f"at {slow.amps / facts.pack.rated_ah:.2f} It down to {slow.end_v:.3g} V" if slow else ""
    yield "capacity_ah", _of(runs, slow.run if slow else "", ("capacity_ah",), facts.why("curves"), where)
    near = work.about.case.ups.nearest(facts.usual_w) if work.about.case.ups and sweeps else None
    where = f"with {near.ac_w:.4g} W on the output" if near else ""
    yield "floor_v", _of(runs, near.run if near else "", ("floor_v",), facts.why("floor"), where)
    seen_c = facts.ups_side.ceiling_temp_c
    where = "" if ceiling is None else "temperature not measured" if math.isnan(seen_c) else f"at {seen_c:.0f} degC"
    names = ("float_v", "ceiling_v")
    yield "ceiling_v", _of(runs, ceiling.run if ceiling else "", names, facts.why("ceiling"), where)


def _of(runs: dict[str, Run], run: str, names: tuple[str, ...], why: str, where: str) -> Measured:
    figures = runs[run].result.figures if run in runs else {}
    found = next((figures[name] for name in names if name in figures), None)
    return Measured(figure=found, run=run if found else "", why="" if found else why, where=where)


# -- margins -----------------------------------------------------------------------------------------------------------


def _margins(work: Work) -> Iterator[RuleMargin]:
    """In the order of the rules. A rule without numbers has none, nor has the largest load: the doubts are taken off it
    already, and by which of these it is bound."""
    facts, figures = work.facts, work.figures
    highest, rest, good = facts.ups_side.highest, facts.pack_side.rest_v, facts.ups_side.highest_good
    if highest is not None:
        limit = facts.pack.charge_volts_max
        made = _plain(limit - highest.value, highest.u, "V", "the pack's highest charge volts less the charger's")
        yield RuleMargin(about="charge volts", margin=made, limit=limit, limit_words=f"{limit:g} V of the pack")
    if (current := figures.get("charge_current_margin_a")) is not None:
        limit = facts.pack.charge_amps_max
        yield RuleMargin(about="charge current", margin=current, limit=limit, limit_words=f"{limit:g} A of the pack")
    if rest is not None and good is not None:
        u, words = math.hypot(rest.u, good.u), "highest volts at which the UPS was well less the rested full pack's"
        made = _plain(good.value - rest.value, u, "V", words)
        words = f"{good.value:.2f} V seen good"
        yield RuleMargin(about="volts of the full pack", margin=made, limit=good.value, limit_words=words)
    yield from _margins_out(work)


def _margins_out(work: Work) -> Iterator[RuleMargin]:
    facts, figures, case = work.facts, work.figures, work.about.case
    if (floor := figures.get("floor_margin_v")) is not None and case.ups is not None:
        limit = case.ups.floor_v(facts.worst_w)
        yield RuleMargin(about="floor margin", margin=floor, limit=limit, limit_words=f"{limit:.2f} V floor")
    if (current := figures.get("discharge_current_margin_a")) is not None:
        limit = facts.pack.discharge_amps_max
        yield RuleMargin(about="discharge current", margin=current, limit=limit, limit_words=f"{limit:g} A of the pack")
    got, need = work.usual, facts.site.runtime_needed_min
    if not isinstance(got, str) and need is not None and need > 0:
        minutes = _scaled(got.runtime_s, 1 / 60.0, less=need, unit="min")
        yield RuleMargin(about="runtime", margin=minutes, limit=need, limit_words=f"{need:g} min needed")


def _plain(value: float, u: float, unit: str, basis: str) -> Figure:
    return Figure(value=value, unit=unit, expanded_uncertainty=2.0 * u, coverage_factor=2.0, basis=basis)


def _scaled(made: Figure, factor: float, *, less: float, unit: str) -> Figure:
    expanded = None if made.expanded_uncertainty is None else factor * made.expanded_uncertainty
    return Figure(
        value=factor * float(made.value) - less,
        unit=unit,
        expanded_uncertainty=expanded,
        coverage_factor=made.coverage_factor,
        basis=made.basis,
        bound=made.bound,
    )


# -- curves ------------------------------------------------------------------------------------------------------------


def _runtime(work: Work) -> Columns:
    """Runtime by load up to the rated one, and what the pack alone would give, down to its own end."""
    facts = work.facts
    if work.about.case.ups is None or isinstance(work.usual, str):
        return {}
    rated = facts.ups.rated_w
    # Runtime goes about as one over load: even ratios make it smooth where it is steep.
    loads = {*np.geomspace(LEAST_LOAD * rated, rated, LOADS).tolist(), facts.usual_w, facts.worst_w}
    loads |= {sweep.ac_w for sweep in facts.ups_side.sweeps}
    rows = [_row(work, load_w) for load_w in sorted(loads) if 0 < load_w <= rated * (1.0 + 1e-9)]
    names = ("load_w", "runtime_s", "runtime_plus_minus_s", "bound", "ends_by", "pack_alone_s")
    return {name: [row[at] for row in rows] for at, name in enumerate(names)}


def _row(work: Work, load_w: float) -> tuple[float | str, ...]:
    got = work.predict(load_w)
    if isinstance(got, str):
        return load_w, math.nan, math.nan, "", "", math.nan
    spread = got.runtime_s.expanded_uncertainty
    ends = BY_FLOOR if work.about.case.run(load_w).at_floor else BY_PACK
    value = float(got.runtime_s.value)
    # A bound is told of another curve than the pack's own, so there is nothing to set beside it.
    alone = math.nan if got.bound else _alone(work, load_w)
    return load_w, value, math.nan if spread is None else spread, got.bound, ends, alone


def _alone(work: Work, load_w: float) -> float:
    """Seconds until the pack itself has ended, whatever the UPS's floor; nan when they cannot be computed."""
    case = work.about.case
    if case.family is None or case.ups is None:
        return math.nan
    floor_v = NO_FLOOR * min(curve.end_v for curve in case.family.curves)
    watts, missing = case.ups.dc_w(load_w), case.missing_ah()[0]
    return carried(case.family, watts=watts, floor_v=floor_v, lead_ohm=case.lead_ohm, from_ah=missing).seconds


def _usable(work: Work) -> Usable | None:
    """At the usual load."""
    case, facts, got = work.about.case, work.facts, work.usual
    if isinstance(got, str) or case.family is None or case.ups is None:
        return None
    missing, floor_v = case.missing_ah()[0], case.ups.floor_v(got.load_w)
    made = case.run(got.load_w)
    if not made.charge_ah > 0:
        return None
    watts, ends = case.ups.dc_w(got.load_w), missing + made.charge_ah
    charge = np.linspace(missing, ends, CURVE_POINTS)
    amps = course(case.family, charge, watts=watts, floor_v=floor_v, lead_ohm=case.lead_ohm)
    floor: Known = Known(floor_v, facts.ups_side.floor_u)
    return Usable(
        load_w=got.load_w,
        measured=tuple(
            {"charge_ah": c.charge_ah.tolist(), "volts": c.volts.tolist(), "amps": [c.amps] * len(c.volts)}
            for c in case.family.curves
        ),
        on_the_ups={"charge_ah": charge.tolist(), "volts": (watts / amps).tolist(), "amps": amps.tolist()},
        from_ah=missing,
        to_ah=ends,
        ceiling_v=case.ceiling_v,
        floor_v=floor_v,
        floor_u_v=2.0 * floor.u,
        ends_by=BY_FLOOR if made.at_floor else BY_PACK,
    )
