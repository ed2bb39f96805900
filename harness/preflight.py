"""Looking at the bench before anything is switched on. It reads; it sets nothing and energises nothing."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from drivers.load import Load
from drivers.supply import Supply
from harness.channels import Channels
from harness.clock import Clock
from harness.errors import PreflightRefused
from harness.rig import READ_ERRORS, Rig, Turn
from harness.site import Site
from harness.uncertainty import combine

SAMPLES = 10
SAMPLES_APART_S = 0.1
OPEN_V = 2.0
"""Under this the terminals are open, asleep behind a BMS, or not connected (judgement)."""

NOT_RESTED = 1.02
FREE_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at. ``word`` is ``good``, ``note`` (a person should know) or ``refused``."""

    what: str
    word: str
    text: str


def zero_limits(site: Site) -> dict[str, float]:
    """What counts as no current on each instrument, A: 20 mA or three times its stated offset, the larger."""
    limits = {}
    for entry in site.bench.instruments:
        if entry.role in ("supply", "load"):
            limits[entry.name] = max(0.020, 3.0 * entry.amps_accuracy.half_width(0.0))
    return limits


def look(*, site: Site, rig: Rig, clock: Clock, charging: bool, out: Path | None = None) -> tuple[Check, ...]:
    """Every automatic check, in order; none is skipped because an earlier one failed, unless it cannot be made."""
    checks = [*look_at_instruments(rig)]
    if any(check.word == "refused" for check in checks):
        return tuple(checks)
    turns = []
    for _ in range(SAMPLES):
        turns.append(rig.read())
        clock.sleep(SAMPLES_APART_S)
    checks.extend(_readings(turns[-1]))
    checks.extend(_currents(site, turns))
    checks.extend(_rest_volts(site, turns))
    checks.extend(_voltmeters(site, rig, turns))
    checks.extend(_temperature(site, rig, turns, charging=charging))
    if out is not None:
        checks.append(_disk(out))
    return tuple(checks)


def refuse_if_bad(checks: tuple[Check, ...]) -> None:
    """Raise ``PreflightRefused`` with the first thing that was refused."""
    for check in checks:
        if check.word == "refused":
            raise PreflightRefused(f"{check.what}: {check.text}")


def look_at_instruments(rig: Rig) -> Iterator[Check]:
    for name, driver in rig.drivers.items():
        entry = next(e for e in rig.bench_file.instruments if e.name == name)
        where = f"{name} ({entry.address})"
        try:
            old = driver.errors()
            if isinstance(driver, Supply | Load):
                driver.state()
                on = driver.output_is_on() if isinstance(driver, Supply) else driver.input_is_on()
                trip = driver.tripped()
            else:
                on, trip = False, None
                _ = driver.measure_volts() if hasattr(driver, "measure_volts") else driver.measure_temp_c()
            # Asked now, so that what these very questions caused is told apart from what lay there before.
            new = driver.errors()
        except READ_ERRORS as error:
            text = f"does not answer as a {entry.role}: {error}; check address and dialect in the bench file"
            yield Check(where, "refused", text)
            continue
        identity = driver.identity
        words = f"{identity.maker} {identity.model}, serial {identity.serial}"
        if new:
            text = f"{words} does not understand the questions of a {entry.role} ({new[0]}); check address and dialect"
            yield Check(where, "refused", text)
        elif on:
            text = (
                "is on already, not by this run; make sure of the bench, then "
                f"`nightbench safe --bench {rig.bench_file.path}`"
            )
            yield Check(where, "refused", text)
        elif trip:
            yield Check(where, "refused", f"{trip}; find out why, clear it at the instrument, then start again")
        else:
            yield Check(where, "good", words)
        if old:
            yield Check(where, "note", f"old entries in its error queue: {'; '.join(str(e) for e in old)}")


def _readings(turn: Turn) -> Iterator[Check]:
    for error in turn.errors:
        yield Check("readings", "refused", error)
    for flag in turn.flags:
        if not turn.errors:
            yield Check("readings", "refused", f"{flag}; check cable, range and probe")


def _currents(site: Site, turns: list[Turn]) -> Iterator[Check]:
    limits = zero_limits(site)
    for name, limit in limits.items():
        amps = turns[-1].readings[f"{name}_amps"]
        if not abs(amps) <= limit:
            text = f"reads {amps:.3f} A with its output off, limit {limit:.3f} A; something else drives the node"
            yield Check(name, "refused", text)


def _rest_volts(site: Site, turns: list[Turn]) -> Iterator[Check]:
    env, pack = site.envelope, site.pack
    values = [turn.pack_volts for turn in turns]
    volts = sum(values) / len(values)
    band = f"{env.never_below_v:.2f} to {env.high_v:.2f} V for {pack.cells_in_series} cells of {pack.chemistry}"
    seen = f"{volts:.3f} V at the pack's terminals"
    if math.isnan(volts):
        yield Check("pack volts", "refused", "no reading of the pack's terminals; check the leads")
    elif volts <= -OPEN_V:
        text = f"{seen}: reversed; expected {band}; turn the leads round, switch nothing on before"
        yield Check("pack volts", "refused", text)
    elif volts < OPEN_V:
        text = (
            f"{seen}: open, asleep or not connected; expected {band}; check fuse and leads, "
            "or wake the pack as its maker says"
        )
        yield Check("pack volts", "refused", text)
    elif not volts >= env.never_below_v:
        text = (
            f"{seen}: under its floor; expected {band}; a pack found under its floor is not revived here: "
            "see its data sheet"
        )
        yield Check("pack volts", "refused", text)
    elif not volts <= env.high_v:
        text = (
            f"{seen}: too high; expected {band}; check cells_in_series and chemistry in {pack.path} "
            "against the label"
        )
        yield Check("pack volts", "refused", text)
    else:
        yield Check("pack volts", "good", f"{seen}, expected {band}")
        if volts > NOT_RESTED * env.full_rest_v:
            yield Check("pack volts", "note", f"above {NOT_RESTED * env.full_rest_v:.2f} V: charged lately, not rested")


def _voltmeters(site: Site, rig: Rig, turns: list[Turn]) -> Iterator[Check]:
    """With no current every voltmeter on the node sees the same volts."""
    if rig.place is None:
        return
    channels = Channels(site, rig.place)
    reference = sum(turn.pack_volts for turn in turns) / len(turns)
    if math.isnan(reference):
        return
    u_ref = combine(channels.volts_lines(volts=reference, amps=0.0)).standard_uncertainty
    for entry in site.bench.instruments:
        if entry.name == rig.place.name or entry.role == "thermometer":
            continue
        volts = sum(turn.readings[f"{entry.name}_volts"] for turn in turns) / len(turns)
        allowed = 4.0 * math.hypot(u_ref, entry.volts_accuracy.standard_uncertainty(reference)) + 0.020
        if not abs(volts - reference) <= allowed:
            text = (
                f"reads {volts:.3f} V, {rig.place.name} {reference:.3f} V on the same node with no current, "
                f"limit {1000 * allowed:.0f} mV apart; check sense leads and wiring"
            )
            yield Check(entry.name, "refused", text)
        else:
            yield Check(entry.name, "good", f"reads {volts:.3f} V, {rig.place.name} {reference:.3f} V")


def _temperature(site: Site, rig: Rig, turns: list[Turn], *, charging: bool) -> Iterator[Check]:
    env = site.envelope
    temp = turns[-1].pack_temp_c
    if rig.temp_name is None:
        word = "refused" if charging else "note"
        yield Check("temperature", word, "no thermometer on the pack; a pack is never charged without one: add one")
        return
    low, high = env.start_temp_min_c, env.start_temp_max_c
    if charging:
        low, high = max(low, env.charge_temp_min_c), min(high, env.charge_temp_max_c)
    seen = f"pack at {temp:.1f} degC, a start is allowed from {low:g} to {high:g} degC"
    if low <= temp <= high:
        yield Check("temperature", "good", seen)
    else:
        yield Check("temperature", "refused", f"{seen}; let it come to room temperature, or check the probe")


def _disk(out: Path) -> Check:
    free = shutil.disk_usage(out).free
    seen = f"{free / 1e6:.0f} MB free at {out}"
    if free < FREE_BYTES:
        return Check("disk", "refused", f"{seen}, at least {FREE_BYTES / 1e6:.0f} MB needed; make room or choose --out")
    return Check("disk", "good", seen)
