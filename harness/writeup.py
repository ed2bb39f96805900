"""What a result says besides its figures: what was asked, the bench it was made on, how off is known."""

from __future__ import annotations

import importlib.metadata
import math
import platform
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime

import msgspec

from harness.cautions import CAUTIONS
from harness.folder import RunFolder
from harness.job import Ready
from harness.limits import Envelope
from harness.limits_settings import SETTINGS
from harness.result import BenchUsed, InstrumentUsed, Limit, OffConfirmation, Result, Software
from harness.rig import Rig
from harness.safeoff import OffReport
from harness.site import Site


def limits_in_force(site: Site) -> tuple[Limit, ...]:
    """Every limit of the envelope with its unit and where it comes from."""
    env: Envelope = site.envelope
    if env.subject == "ups":
        return _limits_on_a_ups(env)
    rows = (
        ("discharge cut-off", env.cut_off_v, "V", "plan, pack file or chemistry"),
        ("low volts", env.low_v, "V", "chemistry"),
        ("load's own stop", env.own_stop_v, "V", "chemistry"),
        ("never below", env.never_below_v, "V", "chemistry"),
        ("charge target", env.target_v, "V", "plan, pack file or chemistry"),
        ("high volts", env.high_v, "V", "chemistry"),
        ("supply's own stop", env.over_v, "V", "chemistry"),
        ("never above", env.never_above_v, "V", "chemistry"),
        ("discharge current", env.amps_max, "A", env.amps_from),
        ("charge current", env.charge_amps_max, "A", env.charge_amps_from),
        ("charge, coldest", env.charge_temp_min_c, "Cel", "pack file or chemistry"),
        ("charge, warmest", env.charge_temp_max_c, "Cel", "pack file or chemistry"),
        ("discharge, coldest", env.discharge_temp_min_c, "Cel", "pack file or chemistry"),
        ("discharge, warmest", env.discharge_temp_max_c, "Cel", "pack file or chemistry"),
    )
    plain = (Limit(what=what, value=value, unit=unit, source=source) for what, value, unit, source in rows)
    return (*plain, *_settable(env))


UCUM = {
    "V": "V",
    "mV": "mV",
    "s": "s",
    "W": "W",
    "K": "K",
    "%": "%",
    "": "1",
    "degC": "Cel",
    "K/min": "K/min",
    "K in 180 s": "K",
}
"""Unit of a setting, as people read it -> its UCUM code."""


def _settable(env: Envelope) -> Iterator[Limit]:
    """The limits a person may change, each as it is in force; ``reason`` where one was given."""
    changed = {one.key: one for one in env.changed}
    for key, one in SETTINGS.items():
        mine = changed.get(key)
        source = "usual" if mine is None else f"[limits] of the pack file, usually {mine.usual:g}"
        yield Limit(
            what=key,
            value=env.limit(key),
            unit=UCUM[one.unit],
            source=source,
            reason="" if mine is None else mine.reason,
        )


def _limits_on_a_ups(env: Envelope) -> tuple[Limit, ...]:
    rows = (
        ("lowest level", env.cut_off_v, "V", "plan"),
        ("highest level", env.target_v, "V", "plan or UPS file"),
        ("high volts", env.high_v, "V", "the UPS's ceiling, or lead-acid"),
        ("supply's own stop", env.over_v, "V", "the UPS's ceiling, or lead-acid"),
        ("never above", env.never_above_v, "V", "the UPS's ceiling, or lead-acid"),
        ("current into the UPS", env.charge_amps_max, "A", env.charge_amps_from),
        ("current of its charger", env.amps_max, "A", env.amps_from),
    )
    return tuple(Limit(what=what, value=value, unit=unit, source=source) for what, value, unit, source in rows)


def bench_used(site: Site, rig: Rig, limits: tuple[Limit, ...]) -> BenchUsed:
    """The instruments as they answered and as their file describes them."""
    used = []
    for entry in site.bench.instruments:
        identity = rig.drivers[entry.name].identity
        if entry.role == "thermometer":
            words, assumed = entry.temp_accuracy.words("K"), entry.temp_accuracy.assumed
        elif entry.role in ("switch", "contact"):
            words, assumed = entry.switches or entry.senses, False
        else:
            words, assumed = "volts: " + entry.volts_accuracy.words("V"), entry.volts_accuracy.assumed
            if entry.role in ("supply", "load"):
                words += "; amps: " + entry.amps_accuracy.words("A")
                assumed = assumed or entry.amps_accuracy.assumed
        used.append(
            InstrumentUsed(
                name=entry.name,
                role=entry.role,
                address=entry.address,
                identity=f"{identity.maker},{identity.model},{identity.serial},{identity.firmware}",
                dialect=entry.dialect,
                calibrated=entry.calibrated.isoformat() if entry.calibrated else "",
                accuracy=words,
                accuracy_assumed=assumed,
                asset=entry.asset,
                serial=entry.serial or identity.serial,
            )
        )
    what = "UPS's battery volts" if site.subject == "ups" else "pack volts"
    wiring = [f"{what} {rig.place.words}"] if rig.place else []
    return BenchUsed(
        name=site.bench.name,
        instruments=tuple(used),
        limits=limits,
        wiring=tuple(wiring),
        operator=site.bench.operator,
        note=site.bench.note,
    )


def off_confirmation(reports: list[OffReport]) -> OffConfirmation | None:
    """How off is known at the end of the run; ``None`` when nothing was ever driven off.

    The run's last off often comes after the current has long been nothing. What proves off is then the last off that
    had a current to end; what the bench showed at the very end is told beside it.
    """
    if not reports:
        return None
    last = reports[-1]
    witnessed = [report for report in reports if report.confirmed and report.witness != "none"]
    proof = witnessed[-1] if last.confirmed and witnessed else None
    lines = (proof or last).lines
    how = "; ".join(dict.fromkeys(lines))
    if proof is not None and proof is not last:
        how += "; still off at the end of the run"
    return OffConfirmation(
        confirmed=last.confirmed,
        how=how,
        witness=proof.witness if proof is not None else "",
        last_amps=None if math.isnan(last.last_amps) else last.last_amps,
        last_volts=None if math.isnan(last.last_volts) else last.last_volts,
        after_s=(proof or last).took_s,
    )


def first_result(ready: Ready, site: Site, rig: Rig, folder: RunFolder, started: datetime) -> Result:
    """What is known before anything was measured."""
    return Result(
        procedure=ready.job.procedure.name,
        name=site.name,
        simulated=site.simulated,
        started=stamp(started),
        plan=msgspec.to_builtins(ready.plan),
        bench=bench_used(site, rig, limits_in_force(site)),
        cautions=CAUTIONS,
        software=_software(),
        hashes=folder.input_hashes(),
        continued_from=ready.job.continued_from,
    )


def stamp(when: datetime) -> str:
    """RFC 3339, UTC, to the second."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _software() -> Software:
    packages, machine = {}, platform.uname()
    for name in ("pyvisa", "pyvisa-py", "pyserial", "numpy", "msgspec"):
        with suppress(importlib.metadata.PackageNotFoundError):
            packages[name] = importlib.metadata.version(name)
    return Software(
        nightbench=importlib.metadata.version("nightbench"),
        python=platform.python_version(),
        # Not platform.platform(): that runs a program of the system to know the processor.
        platform=f"{machine.system}-{machine.release}-{machine.machine}",
        packages=packages,
    )
