"""The fold behind a voltage-floor sweep: a UPS on its inverter, the stand-in's volts lowered level by level.

A cut-off is one way for the inverter's current to go, and the only one that is the floor. Every other way has an end
of its own here: the supply's limit or stop, mains that came back (the charger then drives the node, or the output
stays alive), a self-test taken for a run on battery, volts that are not those that were set, a UPS that will not run
on a stand-in, one that starts again by itself. It knows nothing of a bench, so it runs as well over a recording or a
trajectory made elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.stand_in import Level, UpsRow, volts_at_ups

CUT_OFF = "cut-off"
SUPPLY_LIMIT = "supply limit"
SUPPLY_TRIP = "supply trip"
DRIVEN = "driven by charger"
NOT_REACHED = "not reached"
MAINS_BACK = "mains came back"
SELF_TEST = "self-test, not a run on battery"
NOT_STARTED = "did not run on the stand-in"
TOO_LITTLE = "drew less than half the power expected"
AT_START = "went off before a level was held"
RESTARTS = "restarts by itself"
NOT_AS_SET = "volts were not as set"
NOT_REPEATED = "cut-off at other volts the second time"

RUNS_SHARE = 0.5
"""Under half the current its power asks at these volts an inverter does not run."""

LITTLE_SHARE = 0.02
"""Over this share of the power expected something runs: an inverter that is off draws some milliamperes."""

LIMIT_SHARE = 0.9
"""With more than this share of the supply's limit flowing just before, the limit may have been what ended it."""

SLEW_S = 1.0
"""After a step the volts are not yet looked at for this long."""

LATE_SHARE = 0.75
"""A drop later in its dwell than this says that the level before may have been under the floor already."""


@dataclass(frozen=True, slots=True)
class Bracket:
    """Between which volts (V at the UPS) something happened. ``computed``: the lower end is arithmetic, as no sample
    fell between the step and the drop. ``late``: the upper end is one level further up, see ``LATE_SHARE``."""

    upper_v: float
    lower_v: float
    computed: bool = False
    late: bool = False

    @property
    def mid_v(self) -> float:
        return 0.5 * (self.upper_v + self.lower_v)

    @property
    def half_v(self) -> float:
        return 0.5 * (self.upper_v - self.lower_v)


@dataclass(slots=True)
class FloorFold:
    """One staircase downwards, from running on battery to the cut-off.

    ``set_amps`` (A) is the supply's limit, ``lead_ohm`` what lies between the volts set and the UPS (0 with sense
    leads), ``tolerance_v`` how far volts may be from set minus drop, ``dwell_s`` how long a level is held.
    ``expected_w`` (W) is the power expected at first; the first level held replaces it by what was measured. A current
    that has gone is watched for ``confirm_s``: mains that came back shows itself in that time.
    """

    set_amps: float
    expected_w: float
    lead_ohm: float
    tolerance_v: float
    dwell_s: float
    confirm_s: float = 15.0
    start_s: float = 5.0
    held: list[Level] = field(default_factory=list)
    level: Level | None = None
    end_reason: str = ""
    gone_s: float = math.nan
    false_rows: int = 0
    output_seen: bool = False
    _started: bool = False
    _began_s: float = math.nan
    _gone: list[UpsRow] = field(default_factory=list)
    _last_run: UpsRow | None = None
    _limited: int = 0
    _astray: int = 0
    _driven: int = 0

    @property
    def decided(self) -> bool:
        """True once there is nothing left to wait for; later rows are not taken."""
        return bool(self.end_reason)

    @property
    def level_done(self) -> bool:
        """Whether the level was held for the whole dwell and nothing is in doubt."""
        level = self.level
        return level is not None and not self._gone and level.last_s - level.began_s >= self.dwell_s - 1e-9

    def begin(self, *, set_v: float, t_s: float) -> None:
        """The supply was told ``set_v`` at ``t_s``; the level before counts as held if it was."""
        if self.level is not None:
            if not self.level_done:
                raise ValueError(f"level {self.level.set_v:g} V was left before its dwell of {self.dwell_s:g} s")
            self._finish_level(t_s)
        else:
            self._began_s = t_s
        self.level = Level(set_v, t_s)
        self._limited = self._astray = 0

    def give_up(self, reason: str, *, t_s: float) -> None:
        """The sweep ends here for a reason of the plan's; a level held to the end of its dwell counts."""
        if not self.decided:
            if self.level_done:
                self._finish_level(t_s)
            self.end_reason = reason

    def abandon(self) -> None:
        """The level that is on was cut off and nobody knows what became of it: levels held before it stay."""
        if not self.decided:
            self.level, self._gone, self._last_run = None, [], None
            self._started, self._limited, self._astray, self._driven = False, 0, 0, 0

    def _finish_level(self, t_s: float) -> None:
        assert self.level is not None
        self.level.end_s = t_s
        self.held.append(self.level)
        self.expected_w = self.level.mean_v * self.level.mean_a

    # -- one row -----------------------------------------------------------------------------------------------------

    def push(self, row: UpsRow) -> None:
        """One row; rows of a time before the level, and readings that are missing, decide nothing."""
        level = self.level
        if self.decided or level is None or not row.t_s >= level.began_s:
            return
        if row.mode == "off":
            self.end_reason = SUPPLY_TRIP
            return
        self.output_seen = self.output_seen or row.marked("output off") or row.output is not None
        if not (math.isfinite(row.volts) and math.isfinite(row.amps)):
            return
        if self._runs(row):
            self._run(row, level)
        elif self._started:
            self._without_current(row, level)
        elif row.t_s - self._began_s >= self.start_s:
            self.end_reason = self._why_not_started(row)

    def _runs(self, row: UpsRow) -> bool:
        return row.volts > 0 and row.amps > RUNS_SHARE * self.expected_w / row.volts

    def _run(self, row: UpsRow, level: Level) -> None:
        if len(self._gone) > 1:
            self.end_reason = RESTARTS
            return
        # A single row without current between two with it was read wrong: an inverter that is off stays so for longer.
        self.false_rows += len(self._gone)
        self._gone, self._driven = [], 0
        self._started, self._last_run = True, row
        self._limited = self._limited + 1 if row.mode == "cc" else self._limited
        astray = row.t_s >= level.began_s + SLEW_S and not self._on_level(row, level)
        self._astray = self._astray + 1 if astray else 0
        if not astray:  # one reading that dips says nothing of the level
            level.keep(row)
        if self._limited >= 3:
            self.end_reason = SUPPLY_LIMIT
        elif self._astray >= 3:
            self.end_reason = NOT_AS_SET

    def _on_level(self, row: UpsRow, level: Level) -> bool:
        return abs(row.volts - (level.set_v - row.amps * self.lead_ohm)) <= self.tolerance_v

    def _without_current(self, row: UpsRow, level: Level) -> None:
        self._gone.append(row)
        self._driven = self._driven + 1 if row.mode == "driven" else 0
        self._limited = self._limited + 1 if row.mode == "cc" else self._limited
        if len(self._gone) < 2:
            return
        self.gone_s = self._gone[0].t_s
        if self._limited or self._near_limit():
            self.end_reason = SUPPLY_LIMIT
        elif self._driven >= 2 or row.mains is True or row.marked("output on"):
            self.end_reason = SELF_TEST if self._was_pulse() else MAINS_BACK
        elif row.t_s - self.gone_s >= self.confirm_s:
            self.end_reason = self._confirmed(row, level)

    def _near_limit(self) -> bool:
        # A collapse under a current limit is over in milliseconds: the supply may never be seen limiting.
        return self._last_run is not None and not self._last_run.amps <= LIMIT_SHARE * self.set_amps

    def _was_pulse(self) -> bool:
        """Gone before even the first level was held, with mains there: the UPS tried its battery, no more."""
        return not self.held

    def _why_not_started(self, row: UpsRow) -> str:
        if row.mode == "driven":
            return DRIVEN
        if row.mains is not True and row.amps * row.volts > LITTLE_SHARE * self.expected_w:
            return TOO_LITTLE
        return MAINS_BACK if row.mains is True or row.output is True else NOT_STARTED

    def _confirmed(self, row: UpsRow, level: Level) -> str:
        if row.output is True:
            return MAINS_BACK
        if not self.held:
            return AT_START
        settled = [one for one in self._gone if one.t_s >= self.gone_s + SLEW_S]
        as_set = row.mode in ("cv", "") and all(self._on_level(one, level) for one in settled)
        return CUT_OFF if settled and as_set else NOT_AS_SET

    # -- what came of it ---------------------------------------------------------------------------------------------

    @property
    def last_good(self) -> Level | None:
        """The lowest level held for its whole dwell with the inverter running."""
        return self.held[-1] if self.held else None

    @property
    def bracket(self) -> Bracket | None:
        """Where the floor lies; None unless it ended by cut-off."""
        level, good = self.level, self.last_good
        if self.end_reason != CUT_OFF or level is None or good is None:
            return None
        late = self.gone_s - level.began_s > LATE_SHARE * self.dwell_s and len(self.held) > 1
        upper = self.held[-2].mean_v if late else good.mean_v
        seen = [v for (t, v), (_, a) in zip(level.volts, level.amps, strict=True) if self._seen_on(level, t, v, a)]
        if seen:
            return Bracket(upper, seen[-1], late=late)
        watts = good.mean_v * good.mean_a
        lower = volts_at_ups(set_v=level.set_v, watts=watts, ohm=self.lead_ohm)
        return Bracket(upper, lower, computed=True, late=late)

    def repeats(self, coarse: FloorFold) -> bool:
        """Whether this sweep, finer and later, found the cut-off where ``coarse`` did. A collapse of the supply that
        nobody saw, or an AC load that rose for a moment, ends a sweep once and at other volts the next time."""
        mine, before = self.bracket, coarse.bracket
        if mine is None or before is None:
            return False
        return before.lower_v - self.tolerance_v <= mine.upper_v <= before.upper_v + self.tolerance_v

    def _seen_on(self, level: Level, t_s: float, volts: float, amps: float) -> bool:
        return self._on_level(UpsRow(t_s, volts, amps), level)
