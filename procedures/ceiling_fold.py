"""Folds behind a charge-ceiling probe: one set-point at a time, then the charger's two branches out of the points.

A charger holds a current up to its knee (constant-current branch) and from there a line V = V_c - R I down to no
current (constant-volts branch). Volts at the UPS's battery terminals; amps are those the charger pushes, positive. It
knows nothing of a bench, so it runs as well over a table made elsewhere.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from procedures.line import Line, line_through
from procedures.series import Point

CC_SHARE = 0.95
"""Under this share of the charger's limit a point may be on the constant-volts branch."""

CC_BAND = 0.005
"""Within this share of their median the largest currents are the limit itself; between the two lies the knee."""

FLOW_SHARE = 0.05
"""Under this share of it no current flows to speak of."""

STAGE_V_CELL = 0.02
"""A fall of the volts by this much a cell (2 V) while less is drawn: boost has ended, float goes on (judgement)."""

LEAST_POINTS = 3


@dataclass(frozen=True, slots=True)
class ChargePoint:
    """Mean of the settled rows at one set-point; ``fell``: the volts fell by a stage within them."""

    volts: float
    amps: float
    t_s: float = 0.0
    fell: bool = False


@dataclass(slots=True)
class PointFold:
    """One set-point held for ``dwell_s`` while the charger pushes. The first half of the dwell is settling.

    ``least_a``: under this the charger is off (a self-test, its presence test): those seconds are discarded in
    ``lost_s`` and the dwell begins anew; once they come to ``off_most_s`` the point is ``empty``. ``drop_v``: volts
    that move by this much within the dwell begin it anew; a fall is a change of stage, a rise a charger that is back.
    """

    began_s: float
    dwell_s: float
    least_a: float = 0.0
    off_most_s: float = 20.0
    drop_v: float = math.inf
    lost_s: float = 0.0
    done: bool = False
    empty: bool = False
    fell: bool = False
    volts: list[Point] = field(default_factory=list)
    amps: list[Point] = field(default_factory=list)
    _since_s: float = math.nan
    _last_s: float = math.nan
    _aside: list[tuple[float, float, float]] = field(default_factory=list)

    def push(self, t_s: float, volts: float, amps: float) -> None:
        """One row; a missing reading is left out."""
        if self.done or not (math.isfinite(volts) and math.isfinite(amps)) or t_s < self.began_s:
            return
        if math.isnan(self._since_s):
            self._since_s = self._last_s = self.began_s
        if not amps >= self.least_a:
            self._anew(t_s)
        else:
            self._with(t_s, volts, amps)
        self._last_s = t_s

    def _anew(self, t_s: float) -> None:
        self.lost_s += t_s - self._last_s
        self._since_s, self.volts, self.amps, self._aside = t_s, [], [], []
        self.done = self.empty = self.lost_s >= self.off_most_s

    def _with(self, t_s: float, volts: float, amps: float) -> None:
        kept = [v for _, v in self.volts]
        fell = bool(kept) and max(kept) - volts > self.drop_v
        moved = fell or (bool(kept) and volts - min(kept) > self.drop_v)
        if moved and not self._aside:
            # A stage lasts; a single reading that has moved was read wrong, and the next one tells which it is.
            self._aside = [(t_s, volts, amps)]
            return
        if moved:
            # What is left of the dwell would be a mixture.
            self.fell, self._since_s, self.volts, self.amps = self.fell or fell, self._aside[0][0], [], []
            self._keep(*self._aside[0])
        self._aside = []
        self._keep(t_s, volts, amps)
        self.done = t_s - self._since_s >= self.dwell_s - 1e-9

    def _keep(self, t_s: float, volts: float, amps: float) -> None:
        self.volts.append((t_s, volts))
        self.amps.append((t_s, amps))

    @property
    def point(self) -> ChargePoint | None:
        """Means over the second half of the dwell, of volts without the highest and the lowest; None without rows."""
        half = self._since_s + 0.5 * self.dwell_s
        volts = [v for t, v in self.volts if t >= half - 1e-9]
        amps = [a for t, a in self.amps if t >= half - 1e-9]
        if not self.done or not volts:
            return None
        return ChargePoint(_middle_mean(volts), statistics.fmean(amps), self._last_s, self.fell)


def _middle_mean(values: list[float]) -> float:
    """Mean without the highest and the lowest, where enough are left: one of them may have been read wrong."""
    return statistics.fmean(sorted(values)[1:-1] if len(values) >= 4 else values)


def largest_a(points: Sequence[ChargePoint]) -> float:
    """Largest current of any point, A; 0 without points."""
    return max((one.amps for one in points), default=0.0)


@dataclass(frozen=True, slots=True)
class Branches:
    """The two branches: ``cc`` and ``cv`` points and the line through the latter (volts over amps)."""

    cc: tuple[ChargePoint, ...]
    cv: tuple[ChargePoint, ...]
    line: Line | None

    @property
    def charge_a(self) -> float:
        """Mean current of the constant-current branch, A; nan without one."""
        return statistics.fmean(one.amps for one in self.cc) if self.cc else math.nan

    @property
    def knee_v(self) -> float:
        """Where the line comes up to that current, V; nan without one of the two."""
        return math.nan if self.line is None else self.line.at(self.charge_a)


def cc_branch(points: Sequence[ChargePoint]) -> tuple[ChargePoint, ...]:
    """Points with the largest current, within ``CC_BAND``: not those of a pre-charge, not those past the knee."""
    most = largest_a(points)
    near = [one for one in points if one.amps >= CC_SHARE * most > 0]
    if not near:
        return ()
    limit_a = statistics.median(one.amps for one in near)
    return tuple(one for one in near if abs(one.amps - limit_a) <= CC_BAND * limit_a)


def branches(points: Sequence[ChargePoint], *, cc: Sequence[ChargePoint] | None = None) -> Branches:
    """Both branches of one stage; ``cc`` from an earlier one, where this one has none of its own. A pre-charge lies
    below the constant-current branch and is on neither."""
    limited = tuple(cc_branch(points) if cc is None else cc)
    if not limited:
        return Branches((), (), None)
    limit_a = statistics.fmean(one.amps for one in limited)
    below_v = statistics.median(one.volts for one in limited)
    cv = tuple(
        one for one in points if one.volts > below_v and FLOW_SHARE < one.amps / limit_a < CC_SHARE and not one.fell
    )
    line = line_through([(one.amps, one.volts) for one in cv]) if len(cv) >= LEAST_POINTS else None
    # Volts that do not fall with current are no charger's branch, whatever they are.
    return Branches(limited, cv, line if line is not None and line.slope < 0 else None)


def fallen(earlier: Sequence[ChargePoint], point: ChargePoint, *, drop_v: float) -> bool:
    """Whether ``point`` lies a stage lower than ``earlier`` ones: ``drop_v`` under volts that were held at (nearly) its
    current or more. Less current alone never lowers the volts of a charger."""
    known = [one.volts for one in earlier if one.amps >= 0.9 * point.amps]
    return point.fell or point.volts < max(known, default=-math.inf) - drop_v


def stages(points: Sequence[ChargePoint], *, drop_v: float) -> list[list[ChargePoint]]:
    """Points in order of time, split where the volts fell by a stage: boost, then float. A point within which they fell
    begins the next one."""
    found: list[list[ChargePoint]] = [[]]
    for one in points:
        if fallen(found[-1], one, drop_v=drop_v):
            found.append([])
        found[-1].append(one)
    return [stage for stage in found if stage]


@dataclass(slots=True)
class DrivenFold:
    """A supply on the node without a load: from when its charger holds the node, its volts over the last ``length_s``.

    ``steady`` once they moved less than ``band_v`` over that time.
    """

    length_s: float = 10.0
    band_v: float = 0.02
    volts: list[Point] = field(default_factory=list)

    def push(self, t_s: float, volts: float, mode: str) -> None:
        """One row; the node is somebody else's only while the supply is driven."""
        if mode != "driven":
            self.volts = []
        elif math.isfinite(volts):
            self.volts.append((t_s, volts))

    @property
    def inside(self) -> list[float]:
        end = self.volts[-1][0] if self.volts else 0.0
        return [v for t, v in self.volts if t > end - self.length_s]

    @property
    def steady(self) -> bool:
        inside = self.inside
        long_enough = bool(self.volts) and self.volts[-1][0] - self.volts[0][0] >= self.length_s
        return long_enough and max(inside) - min(inside) <= self.band_v

    @property
    def mean_v(self) -> float:
        inside = self.inside
        return statistics.fmean(inside) if inside else math.nan
