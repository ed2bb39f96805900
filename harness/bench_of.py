"""The guarded bench of a run, made of its files and of what stands on it; and what its interlocks are told once."""

from __future__ import annotations

import math
from typing import Any

from harness.bench import Bench
from harness.connect import Connection
from harness.findings import Facts
from harness.folder import RunFolder
from harness.instrument_entry import ASSUMED_AMPS_RANGE
from harness.interlocks import Interlocks
from harness.job import Ready
from harness.marks import MarkInbox
from harness.person import Person
from harness.recorder import Recorder
from harness.rig import Rig
from harness.room import least_bytes, record_bytes
from harness.signals import StopFlag
from harness.site import Site
from harness.zero_amps import zero_limits


def bench_of(
    ready: Ready,
    site: Site,
    rig: Rig,
    connection: Connection,
    recorder: Recorder,
    flag: StopFlag,
    folder: RunFolder,
    *,
    show: Any,
    person: Person,
) -> Bench:
    """The bench, still off. ``show`` is told of each sample and must not raise."""
    return Bench(
        site=site,
        rig=rig,
        clock=connection.clock,
        recorder=recorder,
        interlocks=Interlocks(_facts(ready, site), ready.job.procedure.name),
        flag=flag,
        marks=MarkInbox(folder),
        show=show,
        zero_amps=zero_limits(site.bench),
        person=person,
    )


def _facts(ready: Ready, site: Site) -> Facts:
    entries = [entry for entry in site.bench.instruments if entry.role in ("supply", "load")]
    ranges = [entry.amps_range or entry.max_amps or ASSUMED_AMPS_RANGE for entry in entries]
    own = record_bytes(
        ready.forecast.seconds, period_s=site.bench.loop_period_s, instruments=len(site.bench.instruments)
    )
    return Facts(
        envelope=site.envelope,
        rated_ah=site.pack.rated_ah if site.subject == "pack" else math.inf,
        nominal_volts=site.nominal_volts,
        lithium=site.lithium,
        has_thermometer=site.subject == "pack"
        and any(e.role == "thermometer" and e.measures == "pack" for e in site.bench.instruments),
        amps_range=max(ranges, default=ASSUMED_AMPS_RANGE),
        unattended=ready.job.unattended,
        pack_ohm=_label_ohm(site),
        disk_least_bytes=least_bytes(own),
    )


def _label_ohm(site: Site) -> float:
    """Resistance on the pack's label, ohm; nan where there is none."""
    mohm = site.pack.resistance_mohm if site.subject == "pack" else None
    return math.nan if mohm is None else mohm / 1000.0
