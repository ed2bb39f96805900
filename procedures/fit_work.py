"""Everything that is computed for a verdict, once: figures by id, why others are missing, what each load gets."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from harness.result import Entry, Figure
from procedures.fit_doubt import Bound, Doubted, doubted, number
from procedures.fit_facts import Facts
from procedures.fit_load import Cap, largest_load
from procedures.fit_margins import Margin, discharge_margin, floor_margin
from procedures.fit_predict import Predicted, predicted
from procedures.fit_share import AT_LEAST, AT_MOST

IDS = (
    "charge_share", "usable_ah", "usable_wh", "charge_current_margin_a", "floor_margin_v", "discharge_current_margin_a",
    "load_w_max",
)  # fmt: skip

SHARE_BOUNDS: dict[str, Bound] = {AT_LEAST: "at most", AT_MOST: "at least"}
"""What lacks at least so much is full to at most the rest; a float above the end of the charge fills further."""

RANGE_UNDER_V_CELL = 3.34
"""Under this a LiFePO4 cell's volts hardly tell its charge: the share is a range."""


@dataclass(slots=True, eq=False)
class Work:
    """``at`` holds what each load gets, or why nothing can be said of it; ``usual`` and ``worst`` are two of them."""

    facts: Facts
    about: Doubted
    figures: dict[str, Figure] = field(default_factory=dict)
    not_measured: dict[str, str] = field(default_factory=dict)
    at: dict[float, Predicted | str] = field(default_factory=dict)
    plain_s: dict[float, float] = field(default_factory=dict)
    floor: Margin = field(default_factory=lambda: Margin("not judged", ""))
    floor_usual: Margin = field(default_factory=lambda: Margin("not judged", ""))
    current: Margin = field(default_factory=lambda: Margin("not judged", ""))
    current_usual: Margin = field(default_factory=lambda: Margin("not judged", ""))
    cap: Cap = field(default_factory=lambda: Cap(None, ""))

    @property
    def usual(self) -> Predicted | str:
        return self.predict(self.facts.usual_w)

    def predict(self, load_w: float) -> Predicted | str:
        """What ``load_w`` gets; computed once."""
        if load_w not in self.at:
            try:
                self.at[load_w] = predicted(self.facts, self.about, load_w)
            except LookupError as error:
                self.at[load_w] = _reason(self.facts, self.about) or str(error)
        return self.at[load_w]

    def seconds(self, load_w: float) -> float:
        """Runtime without its doubt, s; nan when it is not known. Computed once a load."""
        if load_w not in self.plain_s:
            try:
                self.plain_s[load_w] = self.about.case.run(load_w).seconds
            except LookupError:
                self.plain_s[load_w] = math.nan
        return self.plain_s[load_w]


def _reason(facts: Facts, about: Doubted) -> str:
    """Which input a prediction lacks; "" when none."""
    if not facts.pack_side.curves:
        return facts.why("curves")
    if about.case.ups is None:
        return facts.why("floor")
    if math.isnan(about.case.missing_ah()[0]):
        return _no_share(facts)
    return ""


def _no_share(facts: Facts) -> str:
    if facts.ups_side.ceiling is None:
        return facts.why("ceiling")
    if facts.pack_side.charge is None:
        return facts.why("charge")
    return "no resistance is known to take off the charge's volts: neither two rates nor a c-rate run"


def worked(facts: Facts) -> Work:
    """Compute all of it."""
    work = Work(facts, doubted(facts))
    _share(work)
    _usable(work)
    _charge_current(work)
    _margins(work)
    return work


def _margins(work: Work) -> None:
    """At the largest load that may come, and where that is not proven at the usual one."""
    facts, about = work.facts, work.about
    if math.isfinite(facts.worst_w):
        work.floor = work.floor_usual = floor_margin(facts, about, facts.worst_w)
        work.current = work.current_usual = discharge_margin(facts, about, facts.worst_w, work.seconds)
        if work.floor.unproven:
            work.floor_usual = floor_margin(facts, about, facts.usual_w)
        if work.current.unproven:
            work.current_usual = discharge_margin(facts, about, facts.usual_w, work.seconds)
        work.cap = largest_load(facts, about, work.seconds)
    else:
        reason = facts.why("floor")
        work.floor = work.current = Margin("cannot tell", reason, settles="a voltage-floor run with ac_load_w known")
        work.cap = Cap(None, reason, settles=work.floor.settles)
    for name, worst, usual in (
        ("floor_margin_v", work.floor, work.floor_usual),
        ("discharge_current_margin_a", work.current, work.current_usual),
    ):
        _keep(work, name, worst.figure or usual.figure, worst.why)
    _keep(work, "load_w_max", work.cap.figure, work.cap.binds)


def _keep(work: Work, name: str, made: Figure | None, why: str) -> None:
    if made is None:
        work.not_measured[name] = why
    else:
        work.figures[name] = made


def _share(work: Work) -> None:
    facts, case = work.facts, work.about.case
    missing, side = case.missing_ah()
    if math.isnan(missing) or math.isnan(case.full_ah()):
        work.not_measured["charge_share"] = facts.why("curves") if not facts.pack_side.curves else _no_share(facts)
        return
    cell_v = case.ceiling_v / facts.pack.cells_in_series
    basis = f"after a long float at {case.ceiling_v:.2f} V, {cell_v:.3f} V a cell; after a shorter time less"
    if facts.pack.chemistry == "lifepo4" and cell_v < RANGE_UNDER_V_CELL:
        basis += "; read it as a range: at these volts the charge moves much with little"
    bound = SHARE_BOUNDS.get(side, "")
    work.figures["charge_share"] = number(lambda one: one.share(), work.about, unit="1", basis=basis, bound=bound)


def _usable(work: Work) -> None:
    got = work.usual
    if isinstance(got, str):
        work.not_measured |= {"usable_ah": got, "usable_wh": got}
    else:
        work.figures |= {"usable_ah": got.charge_ah, "usable_wh": got.energy_wh}


def _charge_current(work: Work) -> None:
    facts = work.facts
    if facts.ups_side.charge_a is None:
        work.not_measured["charge_current_margin_a"] = facts.why_no_charge_a
        return
    limit = facts.pack.charge_amps_max
    work.figures["charge_current_margin_a"] = number(
        lambda case: limit - case.charge_a,
        work.about,
        unit="A",
        basis=f"the pack's limit of {limit:g} A less the charger's {facts.ups_side.charge_a.value:.3g} A",
    )


def runtimes(work: Work) -> tuple[Entry, ...]:
    """One entry a load: the site's two and those that were swept."""
    facts = work.facts
    loads = {sweep.ac_w for sweep in facts.ups_side.sweeps}
    loads |= {one for one in (facts.site.load_w, facts.site.load_w_max) if one is not None}
    found: list[Entry] = []
    for load_w in sorted(loads):
        got = work.predict(load_w)
        entry: Entry = {"load_w": load_w}
        if isinstance(got, str):
            entry |= {"how": f"not known: {got}"}
        else:
            entry |= {"runtime_s": got.runtime_s, "how": got.how}
        found.append(entry)
    return tuple(found)
