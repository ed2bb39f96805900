"""Margins at a load: of the UPS's floor above the pack's own end, and of the pack's current limit above what flows.

Each says whether it holds, by how much, on which runs it rests, and whether only evidence is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular
from procedures.fit_case import Case
from procedures.fit_curves import END_VOLTS, OPENED, Curve
from procedures.fit_doubt import Bound, Doubted, as_figure, number, spread
from procedures.fit_facts import Facts, Held
from procedures.fit_judge import Word, judge, judge_figure


@dataclass(frozen=True, slots=True)
class _Drawn:
    """The UPS's largest current at a load, A, with its expanded uncertainty."""

    amps: float
    expanded: float

    def under(self, amps: float, u: float) -> Word:
        """Of a run's ``amps`` with standard uncertainty ``u``: "pass" when they lie above the UPS's beyond both doubts,
        "fail" when below, else "cannot tell"."""
        return judge(amps - self.amps, math.hypot(self.expanded, 2.0 * u))

    def __str__(self) -> str:
        return f"{self.amps:.3g} +/- {self.expanded:.1g} A"


@dataclass(frozen=True, slots=True)
class Margin:
    """``word`` with the sentence behind it; ``unproven``: nothing speaks against it, only evidence is missing."""

    word: Word
    why: str
    figure: Figure | None = None
    runs: tuple[str, ...] = ()
    settles: str = ""
    unproven: bool = False


def worst_amps(about: Doubted, load_w: float) -> float:
    """The largest current at ``load_w``, A: at the floor; nan without a sweep."""
    return about.case.ups.amps(load_w) if about.case.ups else math.nan


def _drawn(about: Doubted, load_w: float) -> _Drawn:
    made = number(lambda case: case.ups.amps(load_w) if case.ups else math.nan, about, unit="A", basis="")
    return _Drawn(float(made.value), made.expanded_uncertainty or 0.0)


def _swept_at(about: Doubted, load_w: float) -> bool:
    return about.case.ups is not None and about.case.ups.measured_at(load_w)


def _sweep_for(about: Doubted, load_w: float) -> str:
    """Which sweep narrows what is known of the UPS at ``load_w``: at another load it is the load that is missing."""
    if _swept_at(about, load_w):
        return "a finer voltage-floor sweep"
    return f"a voltage-floor run with {load_w:.4g} W on the output"


# -- floor above the pack's own end ----------------------------------------------------------------------------------


def floor_margin(facts: Facts, about: Doubted, load_w: float) -> Margin:
    """Whether the UPS stops before the pack does, with ``load_w`` on the output."""
    if about.case.ups is None:
        return Margin("cannot tell", facts.why("floor"), settles="a voltage-floor run that ends by cut-off")
    swept = tuple(sweep.run for sweep in facts.ups_side.sweeps)
    if not facts.pack.bms:
        return _above_end_volts(facts, about, load_w, swept)
    drawn = _drawn(about, load_w)
    share = facts.pack_side.charge_share_u
    proofs = [c for c in facts.pack_side.curves if c.end == END_VOLTS and drawn.under(c.amps, share * c.amps) == "pass"]
    opened = [c for c in facts.pack_side.curves if c.end == OPENED]
    if proofs:
        margin = _above_curve(about, load_w, proofs[0], (*swept, proofs[0].run))
        if margin.word == "pass" or not opened:
            return margin
    if opened:
        nearest = min(opened, key=lambda curve: abs(curve.amps - drawn.amps))
        return _above_opening(about, load_w, nearest, (*swept, nearest.run))
    return Margin(
        "cannot tell",
        f"the UPS takes up to {drawn} at {load_w:.4g} W; no discharge clearly above that was seen to its end"
        + facts.pack_side.told_unused,
        runs=swept,
        settles=f"a capacity run at {_rate(facts, drawn)} It or more",
        unproven=True,
    )


def _rate(facts: Facts, drawn: _Drawn) -> float:
    """The rate to ask for, rounded up: above the UPS's current by its doubt and that of the run's own ammeter."""
    share = facts.pack_side.charge_share_u
    amps = drawn.amps * (1.0 + 2.0 * (share if math.isfinite(share) else 0.0)) + drawn.expanded
    return math.ceil(100.0 * amps / facts.pack.rated_ah) / 100.0


def _above_end_volts(facts: Facts, about: Doubted, load_w: float, runs: tuple[str, ...]) -> Margin:
    """A pack without a BMS has no end of its own: what it must not go below is in its file, or its chemistry's."""
    pack = facts.pack
    end_v = pack.end_volts or pack.row.cut_off_unwatched * pack.cells_in_series
    made = _floor_less(about, load_w, lambda _: end_v, basis=f"floor less the pack's end volts of {end_v:g} V")
    why = {
        "pass": f"the UPS stops above the {end_v:g} V at which the pack is empty",
        "fail": f"the UPS goes on below the {end_v:g} V at which the pack is empty, and there is no BMS to stop it",
    }.get(judge_figure(made), f"the floor lies too near to the pack's end volts of {end_v:g} V")
    return Margin(judge_figure(made), why, made, runs, _sweep_for(about, load_w))


def _above_curve(about: Doubted, load_w: float, curve: Curve, runs: tuple[str, ...]) -> Margin:
    """The BMS had not opened when the curve ended, at a current no smaller: it would open lower yet."""
    made = _floor_less(
        about,
        load_w,
        lambda case: _same(case, curve).end_v,
        basis=f"floor less the {curve.end_v:.2f} V down to which the pack had not opened at {curve.amps:.3g} A",
        bound="at least",
    )
    word = judge_figure(made)
    why = "the UPS stops before the pack opens"
    if word != "pass":
        why = f"the pack was discharged to {curve.end_v:.2f} V only, not clearly below the floor"
    settles = "a capacity run to lower end volts"
    if float(made.value) > 0 and not _swept_at(about, load_w):
        settles = f"{_sweep_for(about, load_w)}, or {settles}"
    return Margin(word, why, made, runs, settles, unproven=word != "pass")


def _above_opening(about: Doubted, load_w: float, curve: Curve, runs: tuple[str, ...]) -> Margin:
    """The volts at which the BMS opened, moved from the run's current to the UPS's."""

    def apart(case: Case) -> float:
        """Volts by which the drop at the run's current exceeds that at the UPS's."""
        assert case.ups is not None
        ohm = 0.0 if math.isnan(case.charge_ohm) else case.charge_ohm
        return (_same(case, curve).amps - case.ups.amps(load_w)) * ohm

    words = "volts of opening at another current: not known better than the drop between the two, judgement"
    moved = BudgetLine("pack opened at another current", rectangular(abs(apart(about.case))), "V", words)
    made = _floor_less(
        about,
        load_w,
        lambda case: _same(case, curve).end_v + apart(case),
        basis=f"floor less the volts at which the pack opened at {curve.amps:.3g} A, at the UPS's current",
        more=(moved,),
    )
    why = {
        "pass": "the UPS stops before the pack opens",
        "fail": "the pack opens before the UPS stops: the load drops without warning",
    }.get(judge_figure(made), "pack and UPS stop too near to one another to say which one first")
    return Margin(judge_figure(made), why, made, runs, f"a capacity run at {worst_amps(about, load_w):.3g} A")


def _same(case: Case, curve: Curve) -> Curve:
    """The case's own version of a curve."""
    assert case.family is not None
    return next(one for one in case.family.curves if one.run == curve.run)


def _floor_less(
    about: Doubted,
    load_w: float,
    of: Callable[[Case], float],
    *,
    basis: str,
    bound: Bound = "",
    more: tuple[BudgetLine, ...] = (),
) -> Figure:
    def margin(case: Case) -> float:
        assert case.ups is not None
        return case.ups.floor_v(load_w) - of(case)

    words = f"{basis}; {load_w:.4g} W on the output"
    return as_figure(spread(margin, about), lambda v: v, unit="V", basis=words, bound=bound, more=more)


# -- current -----------------------------------------------------------------------------------------------------------


def discharge_margin(facts: Facts, about: Doubted, load_w: float, runtime_s: Callable[[float], float]) -> Margin:
    """Whether the pack may and does carry the UPS's largest current at ``load_w`` for as long as it would flow.

    ``runtime_s``: seconds predicted at a load, nan when they are not known.
    """
    if about.case.ups is None:
        return Margin("cannot tell", facts.why("floor"), settles="a voltage-floor run that ends by cut-off")
    limit, amps = facts.pack.discharge_amps_max, worst_amps(about, load_w)
    made = number(
        lambda case: limit - (case.ups.amps(load_w) if case.ups else math.nan),
        about,
        unit="A",
        basis=f"the pack's limit of {limit:g} A less the UPS's {amps:.3g} A at its floor, {load_w:.4g} W on its output",
    )
    swept = tuple(sweep.run for sweep in facts.ups_side.sweeps)
    word = judge_figure(made)
    if word != "pass":
        what = "more than" if word == "fail" else "too near to"
        why = f"{amps:.3g} A at {load_w:.4g} W is {what} the {limit:g} A that the pack may give"
        return Margin(word, why, made, swept, _sweep_for(about, load_w) if word == "cannot tell" else "")
    drawn = _Drawn(amps, made.expanded_uncertainty or 0.0)
    # A runtime costs time to compute, and is asked for only where it decides.
    timed = any(h.opened != (drawn.under(h.amps, h.u) == "pass") for h in facts.pack_side.held if not h.to_the_end)
    return _carried(facts, about, made, drawn, load_w, runtime_s(load_w) if timed else math.nan)


def _carried(facts: Facts, about: Doubted, made: Figure, drawn: _Drawn, load_w: float, seconds: float) -> Margin:
    """The limit is kept; was the current carried as well? What was held for a time counts for no longer runtime."""
    held, swept = facts.pack_side.held, tuple(sweep.run for sweep in facts.ups_side.sweeps)
    above: dict[Held, Word] = {one: drawn.under(one.amps, one.u) for one in held}
    opened = [h for h in held if h.opened and above[h] != "pass" and not h.seconds >= seconds]
    if opened:
        first = min(opened, key=lambda one: (above[one] != "fail", one.seconds))
        why = f"the pack opened after {first.seconds:.3g} s at {first.amps:.3g} A; the UPS takes {drawn}"
        return Margin(above[first], why, made, (*swept, first.run), _sweep_for(about, load_w))
    kept = [h for h in held if not h.opened]
    proof = next((h for h in kept if above[h] == "pass" and (h.to_the_end or h.seconds >= seconds)), None)
    if proof is not None:
        how = "from full to empty" if proof.to_the_end else f"for {proof.seconds:.3g} s"
        why = f"{drawn.amps:.3g} A at {load_w:.4g} W; the pack gave {proof.amps:.3g} A {how}"
        return Margin("pass", why, made, (*swept, proof.run))
    best = max(kept, key=lambda one: one.amps, default=None)
    seen = "no current was held in a run" if best is None else f"held: {best.amps:.3g} A for {best.seconds:.3g} s"
    return Margin(
        "pass with conditions",
        f"{drawn} at {load_w:.4g} W is within the label; {seen}{facts.pack_side.told_unused}",
        made,
        swept,
        f"a capacity run at {_rate(facts, drawn)} It or more",
        unproven=True,
    )
