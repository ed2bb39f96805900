"""The envelope of a run as a record: the levels nothing may cross, in an order that is checked whenever one is made.

Falling, a discharge ends at the cut-off; below it the harness trips; below that the load stops by itself; below that
nothing may go. Rising, a charge goes to the target; above it the harness trips; above that the supply stops by itself;
above that nothing may go. Each level must lie strictly beyond the one before, or the plan is refused. Every comparison
is written so that a value that is not a number refuses.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass
from itertools import pairwise

from harness.errors import PlanRefused
from harness.limits_settings import SETTINGS, Changed

NONE_THERE = "nothing: "
"""Heads where a limit is from, when nothing on the bench could carry the current."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """Limits of one run. Volts (``_v``) at the pack's terminals, A, Ah, degrees Celsius.

    ``amps_max`` and ``charge_amps_max`` are magnitudes; ``amps_from`` and ``charge_amps_from`` say which limit they
    are. ``charge_refused``: why this pack may not be charged here, "" when it may. ``attended_only``: why somebody must
    be there, "" when nobody need be as far as the pack goes; ``charge_attended_only``: the same for a charge.
    ``notes``: how levels came about that are not the usual ones. Building one out of order, or with a value that is
    not finite, raises PlanRefused.
    """

    chemistry: str
    lithium: bool
    cells_in_series: int
    rated_ah: float
    nominal_v: float
    full_rest_v: float
    cut_off_v: float
    low_v: float
    own_stop_v: float
    never_below_v: float
    target_v: float
    high_v: float
    over_v: float
    never_above_v: float
    charge_volts_max: float
    amps_max: float
    amps_from: str
    charge_amps_max: float
    charge_amps_from: str
    charge_temp_min_c: float
    charge_temp_max_c: float
    discharge_temp_min_c: float
    discharge_temp_max_c: float
    start_temp_min_c: float
    start_temp_max_c: float
    unattended_temp_max_c: float
    charge_refused: str = ""
    attended_only: str = ""
    charge_attended_only: str = ""
    notes: tuple[str, ...] = ()
    subject: str = "pack"
    """What the levels are of: "pack", or "ups" where supply or load stand in for its battery."""
    changed: tuple[Changed, ...] = ()
    """Limits a person has changed, beside their usual values, and why."""

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, float) and not math.isfinite(value):
                raise PlanRefused(f"limits: {name} = {value:g}: not a finite number; put the pack or bench file right")
        for one in self.changed:
            if not math.isfinite(one.value):
                raise PlanRefused(f"limits: {one.key} = {one.value:g}: not a finite number; put the pack file right")
        self._falling("discharge", ("cut-off", "low volts", "load's own stop", "never below"))
        self._rising("charge", ("target", "high volts", "supply's own stop", "never above"))
        _ordered("levels", (("discharge cut-off", self.cut_off_v), ("charge target", self.target_v)), unit="V")
        _ordered("levels", (("zero", 0.0), ("never below", self.never_below_v)), unit="V")
        for name in ("rated_ah", "amps_max", "charge_amps_max"):
            if not getattr(self, name) > 0:
                raise PlanRefused(f"limits: {name} = {getattr(self, name):g}: must be above 0; put the file right")
        for what in ("charge", "discharge", "start"):
            low, high = getattr(self, f"{what}_temp_min_c"), getattr(self, f"{what}_temp_max_c")
            _ordered(f"{what} temperature", (("lowest", low), ("highest", high)), unit="degC")

    def _falling(self, what: str, names: tuple[str, ...]) -> None:
        levels = (self.cut_off_v, self.low_v, self.own_stop_v, self.never_below_v)
        _ordered(what, tuple(reversed(tuple(zip(names, levels, strict=True)))), unit="V")

    def _rising(self, what: str, names: tuple[str, ...]) -> None:
        levels = (self.target_v, self.high_v, self.over_v, self.never_above_v)
        _ordered(what, tuple(zip(names, levels, strict=True)), unit="V")
        if not self.target_v <= self.charge_volts_max:
            raise PlanRefused(
                f"limits: charge target {self.target_v:g} V: above the {self.charge_volts_max:g} V the pack may be "
                f"charged to; use a charge voltage of at most {self.charge_volts_max:g} V"
            )

    def limit(self, key: str) -> float:
        """The value in force of the limit ``key`` of ``harness.limits_settings``, in its unit."""
        return next((one.value for one in self.changed if one.key == key), SETTINGS[key].usual(self))

    @property
    def sha256(self) -> str:
        """Hash over every limit, for telling later whether two runs ran under the same ones."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True, allow_nan=False).encode()).hexdigest()

    def lines(self) -> tuple[str, ...]:
        """The limits in words."""
        if self.subject == "ups":
            return self._ups_lines()
        lines = [
            f"discharge ends at {self.cut_off_v:.2f} V, trips below {self.low_v:.2f} V, the load stops by itself at "
            f"{self.own_stop_v:.2f} V, never below {self.never_below_v:.2f} V",
            f"charge goes to {self.target_v:.2f} V, trips above {self.high_v:.2f} V, the supply stops by itself at "
            f"{self.over_v:.2f} V, never above {self.never_above_v:.2f} V",
            f"discharge current at most {self.amps_max:.3g} A ({self.amps_from})",
            f"charge current at most {self.charge_amps_max:.3g} A ({self.charge_amps_from})",
            f"charge from {self.charge_temp_min_c:g} to {self.charge_temp_max_c:g} degC, discharge from "
            f"{self.discharge_temp_min_c:g} to {self.discharge_temp_max_c:g} degC, start from "
            f"{self.start_temp_min_c:g} to {self.start_temp_max_c:g} degC, unattended up to "
            f"{self.unattended_temp_max_c:g} degC",
        ]
        if self.charge_refused:
            lines.append(f"no charge: {self.charge_refused}")
        if self.attended_only:
            lines.append(f"attended only: {self.attended_only}")
        if self.charge_attended_only:
            lines.append(f"charge attended only: {self.charge_attended_only}")
        return (*lines, *self._changes(), *self.notes)

    def _changes(self) -> tuple[str, ...]:
        """What a person has changed, and why."""
        return tuple(
            f"{SETTINGS[one.key].what}: {one.value:g} {one.unit}, usually {one.usual:g}"
            + (f" ({one.reason})" if one.reason else "")
            for one in self.changed
        )

    def _ups_lines(self) -> tuple[str, ...]:
        return (
            f"the supply stands in from {self.cut_off_v:.2f} to {self.target_v:.2f} V; trips above {self.high_v:.2f} V",
            f"the supply stops by itself at {self.over_v:.2f} V, never above {self.never_above_v:.2f} V",
            f"into the UPS {_at_most(self.charge_amps_max, self.charge_amps_from)}",
            f"out of its charger {_at_most(self.amps_max, self.amps_from)}",
            f"attended only: {self.attended_only}",
            *self.notes,
        )


def _at_most(amps: float, source: str) -> str:
    """Where no instrument is that could carry a current, a number would be made up."""
    return source if source.startswith(NONE_THERE) else f"at most {amps:.3g} A ({source})"


def _ordered(what: str, levels: tuple[tuple[str, float], ...], *, unit: str) -> None:
    for (low_name, low), (high_name, high) in pairwise(levels):
        if not low < high:
            raise PlanRefused(
                f"limits: {what}: {high_name} {high:g} {unit} is not above {low_name} {low:g} {unit}; "
                f"choose values with {low_name} below {high_name}"
            )
