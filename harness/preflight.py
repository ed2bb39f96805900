"""Looking at the bench before anything is switched on. It reads; it sets nothing and energises nothing."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from harness.clock import Clock
from harness.preflight_check import Check, checks_of, checks_told
from harness.preflight_instruments import look_at_instruments, on_meanwhile
from harness.preflight_node import OPEN_V, contactor, dead_node, mean, rest_volts, settled_turns, voltmeters
from harness.reading import Turn
from harness.rig import Rig
from harness.room import record_bytes, to_begin_bytes, words
from harness.site import Site
from harness.tape import COMPUTER
from harness.zero_amps import zero_limits


def look(
    *,
    site: Site,
    rig: Rig,
    clock: Clock,
    charging: bool,
    full: bool = False,
    out: Path | None = None,
    forecast_s: float = 0.0,
) -> tuple[Check, ...]:
    """Every automatic check, in order; none is skipped because an earlier one failed, unless it cannot be made.

    ``out`` is where the record goes, ``forecast_s`` how long the run takes, s of bench time.
    ``full``: the plan takes the pack as charged already. Where something is refused, what has come on while it was
    looked for stands first: an instrument that restarts may, and nobody else would tell.
    """
    checks = [*look_at_instruments(rig)]
    if not any(check.word == "refused" for check in checks):
        checks = _looked(checks, site, rig, clock, charging=charging, full=full)
        if out is not None:
            checks.extend(_room(out, site, clock, forecast_s))
    if any(check.word == "refused" for check in checks):
        checks = [*on_meanwhile(rig, checks), *checks]
    return tuple(checks)


def _looked(checks: list[Check], site: Site, rig: Rig, clock: Clock, *, charging: bool, full: bool) -> list[Check]:
    """``checks`` with those that need everybody to answer."""
    turns = settled_turns(rig, clock)
    checks.extend(_readings(turns[-1]))
    checks.extend(_currents(site, turns))
    volts = mean(turn.pack_volts for turn in turns)
    if site.subject == "ups":
        checks.extend(dead_node(rig, volts))
        return checks
    checks.extend(contactor(site, rig))
    checks.extend(rest_volts(site, volts, full=full))
    if not volts <= -OPEN_V:  # reversed: a supply's own terminals then show anything
        checks.extend(voltmeters(site, rig, turns, contactor_open=rig.switch("contactor") is not None))
    checks.extend(_temperature(site, rig, turns, charging=charging))
    return checks


def _readings(turn: Turn) -> Iterator[Check]:
    for error in turn.errors:
        yield Check("readings", "refused", error)
    for flag in turn.flags:
        if not turn.errors:
            yield Check("readings", "refused", f"{flag}; check cable, range and probe")


def _currents(site: Site, turns: list[Turn]) -> Iterator[Check]:
    limits = zero_limits(site.bench)
    for name, limit in limits.items():
        amps = turns[-1].readings[f"{name}_amps"]
        if abs(amps) > limit:  # a missing reading was refused above
            text = f"reads {amps:.3f} A with its output off, limit {limit:.3f} A; something else drives the node"
            yield Check(name, "refused", text)


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
    if math.isnan(temp):
        yield Check("temperature", "refused", f"no reading of {rig.temp_name}; check the probe")
    elif low <= temp <= high:
        yield Check("temperature", "good", seen)
    else:
        yield Check("temperature", "refused", f"{seen}; let it come to room temperature, or check the probe")


def _room(out: Path, site: Site, clock: Clock, forecast_s: float) -> tuple[Check, ...]:
    """As the tape has it."""
    look = partial(_disk, out, site, forecast_s)
    nothing: tuple[Check, ...] = ()
    found: tuple[Check, ...] = clock.tape.answer(
        COMPUTER, "disk", look, absent=lambda: nothing, pack=checks_told, unpack=checks_of
    )
    return found


def _disk(out: Path, site: Site, forecast_s: float) -> tuple[Check, ...]:
    free = shutil.disk_usage(out).free
    bench = site.bench
    own = record_bytes(forecast_s, period_s=bench.loop_period_s, instruments=len(bench.instruments))
    need = to_begin_bytes(own)
    seen = f"{free / 1e6:.0f} MB free at {out}"
    if not free >= need:
        text = f"{seen}, at least {need / 1e6:.0f} MB needed ({words(own, forecast_s)}); make room or choose --out"
        return (Check("disk", "refused", text),)
    return (Check("disk", "good", seen),)
