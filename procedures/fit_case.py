"""One case to compute with: everything a figure of ``fit`` is a function of, as measured."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from harness.uncertainty import rectangular
from procedures.fit_curves import Family
from procedures.fit_facts import Facts
from procedures.fit_runtime import Carried, carried
from procedures.fit_share import AT, ChargeCurve, missing_at
from procedures.fit_ups import UpsSide

LEAD_OHM = 0.010
"""Half of the most that leads and plugs between pack and UPS are taken to have (judgement: 0 to 20 mohm)."""

R_MINUTES = 1.5
"""What acts over minutes over what acts in 10 s, taken as 1 to 2 (judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Everything a figure is computed from; nan or None: not known. ``charge_ohm`` takes the drop off a charge."""

    family: Family | None
    ups: UpsSide | None
    charge: ChargeCurve | None
    ceiling_v: float = math.nan
    charge_a: float = math.nan
    charge_ohm: float = math.nan
    lead_ohm: float = LEAD_OHM
    method: float = 0.0

    def missing_ah(self) -> tuple[float, str]:
        """Charge that a pack on this charger lacks (Ah) and the kind of bound it is; nan when it is not known."""
        if self.charge is None or not (math.isfinite(self.ceiling_v) and math.isfinite(self.charge_ohm)):
            return math.nan, AT
        return missing_at(self.charge, volts=self.ceiling_v, ohm=self.charge_ohm)

    def full_ah(self) -> float:
        """Charge from full to empty at the slowest rate measured, Ah."""
        return self.family.curves[0].end_ah if self.family else math.nan

    def share(self) -> float:
        """Share of that charge which the charger puts in."""
        return 1.0 - self.missing_ah()[0] / self.full_ah()

    def run(self, ac_w: float, family: Family | None = None) -> Carried:
        """What the pack gives at ``ac_w`` on the output, from the charger's ceiling to the floor.

        Raises LookupError when an input is missing.
        """
        family = family or self.family
        missing = self.missing_ah()[0]
        if family is None or self.ups is None or math.isnan(missing):
            raise LookupError("no prediction: discharge curves, floor and share at the ceiling are all needed")
        made = carried(
            family,
            watts=self.ups.dc_w(ac_w),
            floor_v=self.ups.floor_v(ac_w),
            lead_ohm=self.lead_ohm,
            from_ah=missing,
        )
        return replace(made, seconds=made.seconds * (1.0 + self.method))


def case_of(facts: Facts) -> Case:
    """The case as measured."""
    pack, ups = facts.pack_side, facts.ups_side
    ohm = resistance(facts)[0]
    family = Family(pack.curves, 0.0 if math.isnan(ohm) else ohm) if pack.curves else None
    side = None
    if ups.sweeps:
        side = UpsSide(ups.sweeps, facts.ups.rated_w, ups.idle_w)
    return Case(
        family=family,
        ups=side,
        charge=pack.charge,
        ceiling_v=ups.ceiling.value if ups.ceiling else math.nan,
        charge_a=ups.charge_a.value if ups.charge_a else math.nan,
        charge_ohm=ohm,
    )


def resistance(facts: Facts) -> tuple[float, float, str]:
    """Resistance that acts over minutes (ohm), its standard uncertainty, and where it is from."""
    curves = facts.pack_side.curves
    if len(curves) >= 2:
        ohm, scatter = Family(curves).resistance()
        return ohm, scatter, f"between {curves[0].amps:.3g} and {curves[1].amps:.3g} A, scatter along the curves"
    if known := facts.pack_side.r_10s:
        ohm = R_MINUTES * known.value
        u = math.hypot(R_MINUTES * known.u, rectangular((R_MINUTES - 1.0) * known.value))
        return ohm, u, "1 to 2 times that of 10 s, judgement; rectangular"
    if facts.pack.resistance_mohm is not None:
        ohm = facts.pack.resistance_mohm / 1000.0
        return R_MINUTES * ohm, rectangular((R_MINUTES - 1.0) * ohm), "1 to 2 times that of the label, judgement"
    return math.nan, 0.0, ""
