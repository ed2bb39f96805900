"""What an interlock is told, and what it answers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.limits import Envelope
from harness.room import LEAST_BYTES


@dataclass(frozen=True, slots=True)
class Watch:
    """What the bench is doing while a sample is judged.

    ``phase`` is ``rest``, ``source`` or ``sink``. Currents are positive in the instrument's normal direction.
    ``load_volts`` is the pack as the sinking load sees it, its declared leads allowed for; nan when it cannot tell.
    ``shunt_amps``: the same current as ``active_amps`` by a meter across a shunt, ``None`` where there is none.
    ``node_volts``: with a UPS on the bench the most that any voltmeter on its node reads; nan when none does.
    ``block_charge_ah`` is what left (sink) or entered (source) the pack since the block began, positive. ``drift``,
    ``own_stop``, ``expired``, ``unread`` and ``lost`` are words, or ``None`` when there is nothing to say: a setting
    that is not as this run left it, an instrument that switched itself off, one whose watchdog of its line expired, a
    setting that cannot be read back any more, and what went wrong with instruments in this turn.

    ``volts_elsewhere``: the same volts by the node's other voltmeters, by instrument, V; only those that can be
    compared now. ``volts_doubt``: four standard uncertainties of each difference, V. ``ambient_c``: the room;
    ``other_temp_c``: a second thermometer on the pack; degC, nan without one. ``lug_temp_c``: the hottest lug, degC,
    nan while one is missing, ``None`` where none has a thermometer. ``joint_ohm``: what lies between the pack's
    voltmeter and the terminals of the energised instrument, nan while that cannot be told; ``joint_doubt_ohm``:
    how far that may be off; ``joint_before_ohm``: the same at the beginning of the block; ``joint_declared_ohm``: by
    the bench file; ohm. ``step_ohm``: the pack's drop at switch-on over its current, ohm. ``cv_s``: how long this
    charge has been at constant volts, s. ``guard_silent_s``: since the guard was last heard; ``guard_astray``: words
    for whom it cannot reach any more. ``record_age_s``: since the oldest row that is not on the disk was written;
    ``disk_free_bytes``: what is left there. ``unwatched_s``: since somebody last showed that they are there, 0 where
    nobody need be; ``watched_for``: what they must be there for.
    """

    phase: str
    procedure: str
    set_amps: float = 0.0
    set_volts: float = 0.0
    block_s: float = 0.0
    longest_s: float = float("inf")
    block_charge_ah: float = 0.0
    active_amps: float = 0.0
    active_volts: float = 0.0
    load_volts: float = float("nan")
    node_volts: float = float("nan")
    shunt_amps: float | None = None
    gap_s: float = 0.0
    gap_limit_s: float = float("inf")
    turn_wall_s: float = 0.0
    call_wall_s: float = 0.0
    drift: str | None = None
    own_stop: str | None = None
    expired: str | None = None
    unread: str | None = None
    lost: str | None = None
    volts_elsewhere: Mapping[str, float] = field(default_factory=dict)
    volts_doubt: Mapping[str, float] = field(default_factory=dict)
    ambient_c: float = math.nan
    other_temp_c: float = math.nan
    lug_temp_c: float | None = None
    joint_ohm: float = math.nan
    joint_doubt_ohm: float = 0.0
    joint_before_ohm: float = math.nan
    joint_declared_ohm: float = math.nan
    step_ohm: float = math.nan
    cv_s: float = 0.0
    guard_silent_s: float = 0.0
    guard_astray: str = ""
    record_age_s: float = 0.0
    disk_free_bytes: float = math.inf
    unwatched_s: float = 0.0
    watched_for: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """Why the run must stop. ``again`` asks for one more reading before it counts, twice at most and within 0.2 s.
    ``doubts_volts``: a voltmeter is what is doubted, so that it alone may not contradict an off."""

    words: str
    text: str
    exit_code: int = 21
    again: bool = False
    doubts_volts: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Fixed for a run: envelope, rating (Ah), nominal volts, whether there is a thermometer on the pack, the widest
    current range of the energised instruments (A), whether nobody watches, and the resistance on the pack's label (ohm;
    nan without one)."""

    envelope: Envelope
    rated_ah: float
    nominal_volts: float
    lithium: bool
    has_thermometer: bool
    amps_range: float
    unattended: bool = False
    pack_ohm: float = math.nan
    disk_least_bytes: float = LEAST_BYTES
    """What must be left on the disk while the run goes on."""
