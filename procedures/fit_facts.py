"""What the runs of one pack and one UPS say together: plain records, no files; the rest of ``fit`` rests on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.config import PackFile, SiteFacts, UpsFile
from procedures.fit_curves import Curve
from procedures.fit_share import ChargeCurve
from procedures.fit_ups import Sweep


@dataclass(frozen=True, slots=True)
class Known:
    """A measured value with its standard uncertainty, and the run it was measured in."""

    value: float
    u: float
    run: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"{self.run}: {self.value} with standard uncertainty {self.u}: wanted finite, 0 or more")

    @property
    def share(self) -> float:
        """Relative standard uncertainty."""
        return self.u / abs(self.value) if self.value else math.inf


@dataclass(frozen=True, slots=True)
class Held:
    """A current (A, mean, standard uncertainty ``u``) that the pack carried for ``seconds``; ``to_the_end``: from full
    until it was empty.

    ``opened``: it did not carry it any longer, the pack opened then.
    """

    run: str
    amps: float
    seconds: float
    to_the_end: bool = False
    opened: bool = False
    u: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class PackSide:
    """What was measured on the pack. ``curves`` by rising current, whole ones only.

    ``volts_u`` (V) and ``charge_share_u`` (relative): standard uncertainties common to all curves. ``rest_v``: the full
    pack at rest. ``r_10s``: of a c-rate run. ``taken_full``: runs whose pack was full by somebody's word only.
    ``unused``: discharges that are no curve, each with its reason.
    """

    curves: tuple[Curve, ...] = ()
    volts_u: float = math.nan
    charge_share_u: float = math.nan
    charge: ChargeCurve | None = None
    charge_share_in_u: float = 0.0
    held: tuple[Held, ...] = ()
    r_10s: Known | None = None
    rest_v: Known | None = None
    taken_full: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()

    @property
    def told_unused(self) -> str:
        """Why there are not more curves, to go on with in a sentence; "" when nothing was left out."""
        return "".join(f"; {one}" for one in self.unused)


@dataclass(frozen=True, slots=True)
class UpsSideFacts:
    """What was measured on the UPS. ``sweeps`` are those that found a floor at a known load.

    ``ceiling`` is what a long float comes to, ``highest`` the most the charger was seen to hold, both at
    ``ceiling_temp_c`` (degC; nan when nobody looked).
    """

    sweeps: tuple[Sweep, ...] = ()
    floor_u: float = math.nan
    power_share_u: float = math.nan
    load_share_u: float = 0.0
    idle_w: float = math.nan
    ceiling: Known | None = None
    highest: Known | None = None
    ceiling_temp_c: float = math.nan
    charge_a: Known | None = None
    highest_good: Known | None = None
    abnormal_v: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """All of it. ``missing`` says in words why an input is not there: by ``curves``, ``charge``, ``floor``,
    ``ceiling``, ``charge_a``; ``notes`` are for the reader."""

    pack: PackFile
    ups: UpsFile
    simulated: bool
    pack_side: PackSide
    ups_side: UpsSideFacts
    missing: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()

    @property
    def site(self) -> SiteFacts:
        """Facts of the place; all unknown when the UPS file has no ``[site]``."""
        return self.ups.site or SiteFacts()

    @property
    def usual_w(self) -> float:
        """The load that runtime is judged at: the site's, else the one swept; nan without either."""
        if self.site.load_w is not None:
            return self.site.load_w
        return self.ups_side.sweeps[-1].ac_w if self.ups_side.sweeps else math.nan

    @property
    def worst_w(self) -> float:
        """The largest load that may come: the site's, else the usual one."""
        return self.usual_w if self.site.load_w_max is None else max(self.site.load_w_max, self.usual_w)

    @property
    def why_no_charge_a(self) -> str:
        """Why the charger's current is not known: a probe without a load finds the ceiling alone."""
        return self.missing.get("charge_a", self.why("ceiling"))

    def why(self, what: str) -> str:
        """Why an input is missing."""
        return self.missing.get(what, f"no {what} among the runs")
