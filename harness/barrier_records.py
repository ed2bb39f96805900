"""The records of the table of barriers: what a run has, what was tried, one layer, one hazard's row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

GENTLE_IT = 0.2
"""Up to this rate a hot joint stays harmless on a bench that cannot see it (judgement)."""

MOST_IT = 0.5
"""Highest rate that is left alone at all (judgement)."""

WARM_ROOM_C = 10.0
"""A room held at this or above keeps lithium from being charged cold (judgement)."""

HOTTEST_C = 75.0
"""A BMS that opens only above this is too late for heat: some lithium cells begin to heat themselves from about
80 degC on (from memory)."""

PENDING = "tripped for real before the run switches on"
ASKED = "typed at the start of the run"
UNASKED = "whether it was seen to act is looked up once it answers"
"""Stands in the place of a day, before anybody knows which instrument is there."""

ARMED = "armed in each run"

CUT_OUTS: dict[str, str] = {
    "pack": "thermal cut-out on the pack",
    "lug": "thermal cut-out at the lug",
    "cold": "thermostat that opens in the cold",
    "smoke": "smoke detector's contact",
}
"""What may stand in the coil line of a contactor and open it without anybody's help."""

BMS_IS_THE_OBJECT = ("c-rate",)
"""Procedures that look for the pack's own limit: what is measured is no barrier."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What files and dialects say of one run. Rates in It, volts at the pack, amps; "" or None: not there.

    ``load_stop`` and ``supply_stop``: "settable", "undeclared" or "not settable". ``bms_low`` and ``bms_high``: the BMS
    guards single cells inside the limits; ``bms_hot``: it opens before the pack is too hot. ``supply_ceiling``: the
    supply cannot give more than the pack bears. ``load_watchdog`` and ``supply_watchdog``: its dialect knows a watchdog
    of its line, which a run arms. ``joint_seen``: an interlock judges the leads between two voltmeters against what
    the file declares of them; ``leads_undeclared``: whose leads it would judge if the file did.
    """

    subject: str = "pack"
    procedure: str = "capacity"
    lithium: bool = True
    charging: bool = False
    rate_it: float = 0.2
    charge_it: float = 0.0
    rated_ah: float = 10.0
    load: str = "load"
    supply: str = ""
    load_stop: str = "settable"
    supply_stop: str = ""
    load_watchdog: bool = False
    supply_watchdog: bool = False
    supply_ceiling: bool = False
    bms: bool = True
    bms_low: bool = True
    bms_high: bool = True
    bms_hot: bool = True
    fuse_amps: float | None = 15.0
    short_amps: float | None = None
    lug_thermometer: bool = False
    joint_seen: bool = False
    leads_undeclared: tuple[str, ...] = ()
    cut_outs: frozenset[str] = frozenset()
    never: tuple[str, ...] = ()
    """Why it is never left alone, whatever the barriers, each with what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What was tried for real, each by the day it was seen (RFC 3339 date; "" never), and what a person typed.

    ``typed``: answers by key (``harness/acknowledging.py``), None before they were asked. ``pending``: the load's stop
    is to be tripped before the run switches on, and its watchdog let expire. ``guard``: when the guard was last seen to
    switch off. ``watchdog``: by role, "load" and "supply".
    """

    load_stop: str = ""
    supply_stop: str = ""
    bms_low: str = ""
    bms_high: str = ""
    guard: str = ""
    watchdog: Mapping[str, str] = field(default_factory=dict)
    typed: Mapping[str, str] | None = None
    pending: bool = True


@dataclass(frozen=True, slots=True)
class Layer:
    """One thing that acts by itself, how that is known, and for how many barriers it counts."""

    words: str
    known: str
    counts: int = 1


@dataclass(frozen=True, slots=True)
class Row:
    """One hazard. ``cheapest``: what would make two barriers of it, "" when there are two. ``residual``: what is left
    all the same."""

    hazard: str
    outside: tuple[Layer, ...]
    inside: tuple[str, ...]
    enough: bool
    cheapest: str
    residual: str

    @property
    def barriers(self) -> int:
        """How many barriers outside the computer."""
        return sum(layer.counts for layer in self.outside)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a layer may stand in a row: the layer if it is there, else (or if it does not count) what would provide it,
    and how dear that is: 0 typing, 1 a command or a setting, 2 a part, 3 an instrument, 4 another pack.
    ``whole``: the remedy does away with the hazard by itself."""

    layer: Layer | None
    remedy: str = ""
    cost: int = 9
    whole: bool = False
