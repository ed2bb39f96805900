"""What the tests of interlocks share: facts, good samples of each phase, and an edge as changes to them.

Levels are those of four LiFePO4 cells (`harness/chemistry.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, nan, nextafter
from typing import Any

from harness.envelope import Envelope
from harness.findings import Facts, Watch
from harness.sample import Sample

ENVELOPE = Envelope(
    chemistry="lifepo4",
    lithium=True,
    cells_in_series=4,
    rated_ah=6.0,
    nominal_v=12.8,
    full_rest_v=13.4,
    cut_off_v=10.0,
    low_v=9.6,
    own_stop_v=9.2,
    never_below_v=8.0,
    target_v=14.4,
    high_v=14.8,
    over_v=15.0,
    never_above_v=15.2,
    charge_volts_max=14.6,
    amps_max=12.0,
    amps_from="pack file",
    charge_amps_max=3.0,
    charge_amps_from="pack file",
    charge_temp_min_c=0.0,
    charge_temp_max_c=45.0,
    discharge_temp_min_c=-20.0,
    discharge_temp_max_c=60.0,
    start_temp_min_c=5.0,
    start_temp_max_c=40.0,
    unattended_temp_max_c=50.0,
)
FACTS = Facts(envelope=ENVELOPE, rated_ah=6.0, nominal_volts=12.8, lithium=True, has_thermometer=True, amps_range=30.0)
GOOD = Sample(
    elapsed_s=100.0,
    utc="2025-01-01T22:00:00.000Z",
    state="",
    pack_volts=13.0,
    pack_amps=0.0,
    charge_ah=0.0,
    energy_wh=0.0,
    pack_temp_c=22.0,
)
WATCHES = {
    "rest": Watch(phase="rest", procedure="capacity", gap_s=1.0, gap_limit_s=3.0),
    "sink": Watch(
        phase="sink",
        procedure="capacity",
        set_amps=6.0,
        active_amps=6.0,
        active_volts=13.0,
        longest_s=4000.0,
        gap_s=1.0,
        gap_limit_s=3.0,
    ),
    "source": Watch(
        phase="source",
        procedure="capacity",
        set_amps=3.0,
        set_volts=14.4,
        active_amps=3.0,
        active_volts=13.1,
        longest_s=4000.0,
        gap_s=1.0,
        gap_limit_s=3.0,
    ),
}
ALL_MISSING = {"pack_volts": nan, "pack_amps": nan, "pack_temp_c": nan, "active_amps": nan, "active_volts": nan}


@dataclass(frozen=True)
class Case:
    """Samples one second apart, each as changes to a good one; ``speaks`` is the number (from 1) at which the interlock
    must speak for the first time, 0 for never."""

    key: str
    phase: str
    samples: list[dict[str, Any]]
    speaks: int
    again: bool = False
    exit_code: int = 21
    says: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


def up(value: float) -> float:
    return nextafter(value, inf)


def down(value: float) -> float:
    return nextafter(value, -inf)


def shunt(*values: float | None) -> list[dict[str, Any]]:
    return [{"shunt_amps": value} for value in values]


def volts(*values: float) -> list[dict[str, Any]]:
    return [{"pack_volts": value} for value in values]


def amps(*values: float) -> list[dict[str, Any]]:
    return [{"active_amps": value} for value in values]


def temps(*values: float) -> list[dict[str, Any]]:
    return [{"pack_temp_c": value} for value in values]


def played(phase: str, changes: dict[str, Any], number: int) -> tuple[Sample, Watch]:
    sample_keys = {key: value for key, value in changes.items() if hasattr(GOOD, key)}
    watch_keys = {key: value for key, value in changes.items() if key not in sample_keys}
    sample = replace(GOOD, **{"elapsed_s": 100.0 + number, **sample_keys})
    return sample, replace(WATCHES[phase], **watch_keys)


def facts(case: Case) -> Facts:
    """The case's facts; what is asked of the envelope stands in it."""
    env = {key: value for key, value in case.facts.items() if hasattr(ENVELOPE, key)}
    mine = {key: value for key, value in case.facts.items() if hasattr(FACTS, key)}
    return replace(FACTS, envelope=replace(ENVELOPE, **env), **mine)
