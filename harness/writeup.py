"""What a result says about the bench it was made on."""

from __future__ import annotations

import math

from harness.limits import Envelope
from harness.result import BenchUsed, InstrumentUsed, Limit, OffConfirmation
from harness.rig import Rig
from harness.safeoff import OffReport
from harness.site import Site


def limits_in_force(site: Site) -> tuple[Limit, ...]:
    """Every limit of the envelope with its unit and where it comes from."""
    env: Envelope = site.envelope
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
    return tuple(Limit(what=what, value=value, unit=unit, source=source) for what, value, unit, source in rows)


def bench_used(site: Site, rig: Rig, limits: tuple[Limit, ...]) -> BenchUsed:
    """The instruments as they answered and as their file describes them."""
    used = []
    for entry in site.bench.instruments:
        identity = rig.drivers[entry.name].identity
        if entry.role == "thermometer":
            words, assumed = entry.temp_accuracy.words("K"), entry.temp_accuracy.assumed
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
    wiring = [f"pack volts {rig.place.words}"] if rig.place else []
    return BenchUsed(
        name=site.bench.name,
        instruments=tuple(used),
        limits=limits,
        wiring=tuple(wiring),
        operator=site.bench.operator,
        note=site.bench.note,
    )


def off_confirmation(reports: list[OffReport]) -> OffConfirmation | None:
    """The last off of the run; ``None`` when there was none."""
    if not reports:
        return None
    last = reports[-1]
    # The run's last off often comes after the current has long been nothing; the witness is that of the last off
    # that had a current to end.
    witnessed = next((r for r in reversed(reports) if r.witness != "none"), last)
    return OffConfirmation(
        confirmed=all(report.confirmed for report in reports[-1:]),
        how="; ".join(dict.fromkeys((*witnessed.lines, *last.lines))),
        witness=witnessed.witness if witnessed.witness != "none" else "",
        last_amps=None if math.isnan(last.last_amps) else last.last_amps,
        last_volts=None if math.isnan(last.last_volts) else last.last_volts,
        after_s=last.took_s,
    )
