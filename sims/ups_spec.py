"""What a simulated UPS is set to: inverter, levels, holds, charger.

Levels and times are ours, within what is common practice (no source); each is a parameter.

Not modelled: the wave of its output, the mains side's power, ageing of its own parts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from sims.charger import ChargerSpec

ABOVE_HIGH = ("nothing", "abnormal", "fault", "refuses")
"""What a UPS may do above ``high_v`` while it should run on its battery."""


@dataclass(frozen=True, slots=True)
class UpsSpec:
    """V at the battery terminals, A, W, s, F. "Filtered" volts follow the terminals with filter_tau_s.

    rated_w W of AC; idle_w W drawn with nothing on the output; efficiency over the share of rated_w that is drawn,
    straight lines between; transfer_s without output on loss of mains; off below cutoff_v less cutoff_fall_v times the
    share drawn, filtered, for cutoff_hold_s; off at once below uvlo_v; warning below warn_v for warn_hold_s until above
    warn_release_v (warns False: none); off_amps A drawn while off; c_in_f F at the input (0 = none).

    After a cut-off it stays off until mains power is back (latches), or starts again by itself above restart_v. With
    cold_start the button starts it above start_v without mains power. ac_qualify_s of good mains before it goes over;
    selftest_after_s later (inf = never) a self-test of selftest_s. Above high_v (inf = none) it does what above_high
    says: one of "nothing", "abnormal" (output wrong while it lasts), "fault" (off for good), "refuses" (no start).
    Overload: off above overload_share of rated_w for overload_s, at once above overload_at_once_share. Light load: off
    when less than light_load_w is drawn for light_load_s (0 W = never).
    Raises ValueError for an efficiency table that is none.
    """

    rated_w: float = 300.0
    idle_w: float = 6.0
    efficiency_share: tuple[float, ...] = (0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)
    efficiency: tuple[float, ...] = (0.50, 0.60, 0.72, 0.80, 0.84, 0.87, 0.865, 0.85)
    transfer_s: float = 0.008
    cutoff_v: float = 21.0
    cutoff_fall_v: float = 0.0
    cutoff_hold_s: float = 0.5
    filter_tau_s: float = 0.1
    uvlo_v: float = 18.0
    warn_v: float = 22.5
    warn_release_v: float = 23.2
    warn_hold_s: float = 0.2
    warns: bool = True
    off_amps: float = 0.012
    c_in_f: float = 0.0
    latches: bool = True
    restart_v: float = 24.5
    cold_start: bool = True
    start_v: float = 23.0
    charger: ChargerSpec = field(default_factory=ChargerSpec)
    ac_qualify_s: float = 3.0
    selftest_after_s: float = 30.0
    selftest_s: float = 6.0
    high_v: float = math.inf
    above_high: str = "nothing"
    overload_share: float = 1.1
    overload_s: float = 10.0
    overload_at_once_share: float = 1.5
    light_load_w: float = 0.0
    light_load_s: float = 60.0

    def __post_init__(self) -> None:
        share, eta = self.efficiency_share, self.efficiency
        if len(share) != len(eta) or not share or any(not a < b for a, b in pairwise(share)):
            raise ValueError(f"ups: efficiency at shares {share}: need one efficiency for each of rising shares")
        if not all(0.0 < e <= 1.0 for e in eta):
            raise ValueError(f"ups: efficiency {eta}; each lies above 0 and at most at 1")
        if not self.uvlo_v > 0.0:
            raise ValueError(f"ups: uvlo_v is {self.uvlo_v} V; it must be above 0 V")
        if self.above_high not in ABOVE_HIGH:
            raise ValueError(f"ups: above_high is {self.above_high!r}; choose one of {', '.join(ABOVE_HIGH)}")

    def __deepcopy__(self, memo: object) -> UpsSpec:
        return self

    def efficiency_at(self, ac_w: float) -> float:
        """Share of the inverter's power that reaches an AC load of ``ac_w`` W."""
        shares, etas, x = self.efficiency_share, self.efficiency, ac_w / self.rated_w
        if x <= shares[0]:
            return etas[0]
        for (a, b), (low, high) in zip(pairwise(shares), pairwise(etas), strict=True):
            if x <= b:
                return low + (high - low) * (x - a) / (b - a)
        return etas[-1]

    def dc_w(self, ac_w: float) -> float:
        """What the inverter draws from the battery for ``ac_w`` W of AC load, W."""
        return self.idle_w + (ac_w / self.efficiency_at(ac_w) if ac_w > 0.0 else 0.0)

    def cutoff_at(self, ac_w: float) -> float:
        """Volts at which it switches off under ``ac_w`` W of AC load, V."""
        return self.cutoff_v - self.cutoff_fall_v * ac_w / self.rated_w
