"""Looking at the bench before anything is switched on. It reads; it sets nothing and energises nothing."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from drivers.contact import Contact
from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.scpi import InstrumentError
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.wire import WireError
from harness.channels import Channels
from harness.clock import Clock
from harness.config import BenchFile
from harness.errors import PreflightRefused
from harness.rig import READ_ERRORS, Driver, Rig, Turn
from harness.site import Site
from harness.uncertainty import combine

SAMPLES = 10
SAMPLES_APART_S = 0.1
OPEN_V = 2.0
"""Under this the terminals are open, asleep behind a BMS, or not connected (judgement)."""

NOT_RESTED = 1.02
NOT_FULL = 0.99
"""Share of a full pack's resting volts under which a pack is surely not full (judgement; on a flat curve the reverse
cannot be told)."""

FREE_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at. ``word`` is ``good``, ``note`` (a person should know) or ``refused``."""

    what: str
    word: str
    text: str


ZERO_AMPS_MOST = 0.100
"""Most that may ever pass for no current, A (judgement)."""


def zero_limits(bench: BenchFile) -> dict[str, float]:
    """What counts as no current on each instrument, A: 20 mA or three times its stated offset, the larger, but never
    more than ``ZERO_AMPS_MOST``: a wider ammeter could call a current that flows none."""
    return {
        entry.name: min(ZERO_AMPS_MOST, max(0.020, 3.0 * entry.amps_accuracy.half_width(0.0)))
        for entry in bench.instruments
        if entry.role in ("supply", "load")
    }


def look(
    *, site: Site, rig: Rig, clock: Clock, charging: bool, full: bool = False, out: Path | None = None
) -> tuple[Check, ...]:
    """Every automatic check, in order; none is skipped because an earlier one failed, unless it cannot be made.

    ``full``: the plan takes the pack as charged already.
    """
    checks = [*look_at_instruments(rig)]
    if any(check.word == "refused" for check in checks):
        return tuple(checks)
    turns = settled_turns(rig, clock)
    checks.extend(_readings(turns[-1]))
    checks.extend(_currents(site, turns))
    volts = mean(turn.pack_volts for turn in turns)
    if site.subject == "ups":
        checks.extend(dead_node(rig, volts))
        if out is not None:
            checks.append(_disk(out))
        return tuple(checks)
    checks.extend(_contactor(site, rig))
    checks.extend(_rest_volts(site, volts, full=full))
    if not volts <= -OPEN_V:  # reversed: a supply's own terminals then show anything
        checks.extend(voltmeters(site, rig, turns, contactor_open=rig.switch("contactor") is not None))
    checks.extend(_temperature(site, rig, turns, charging=charging))
    if out is not None:
        checks.append(_disk(out))
    return tuple(checks)


def settled_turns(rig: Rig, clock: Clock) -> list[Turn]:
    """Readings of everything, a few times over."""
    turns = []
    for _ in range(SAMPLES):
        turns.append(rig.read())
        clock.sleep(SAMPLES_APART_S)
    return turns


def refuse_if_bad(checks: tuple[Check, ...]) -> None:
    """Raise ``PreflightRefused`` with the first thing that was refused and how many more there are."""
    bad = [check for check in checks if check.word == "refused"]
    if bad:
        more = f" (and {len(bad) - 1} more: `nightbench check` lists them)" if len(bad) > 1 else ""
        raise PreflightRefused(f"{bad[0].what}: {bad[0].text}{more}")


def look_at_instruments(rig: Rig) -> Iterator[Check]:
    """Who answers, whether as what the bench file says, whether it is off and untripped. Questions only."""
    for name, driver in rig.drivers.items():
        entry = next(e for e in rig.bench_file.instruments if e.name == name)
        where = f"{name} ({entry.address})"
        identity = driver.identity
        words = f"{identity.maker} {identity.model}, serial {identity.serial}"
        old: tuple[InstrumentError, ...] = ()
        try:
            old = driver.errors()
            on, trip = _ask_all(driver)
            # Asked now, so that what these very questions caused is told apart from what lay there before.
            new = driver.errors()
        except READ_ERRORS as error:
            text = f"{words} does not answer as a {entry.role}: {_short(error)}; {_CHECK_ADDRESS}"
            yield Check(where, "refused", text)
            continue
        if new:
            text = f"{words} does not understand the questions of a {entry.role} ({new[0]}); {_CHECK_ADDRESS}"
            yield Check(where, "refused", text)
        elif on:
            todo = f"look at the bench, then `nightbench safe --bench {rig.bench_file.path}`"
            text = f"is on already, not by this run; {todo}"
            yield Check(where, "refused", text)
        elif trip:
            yield Check(where, "refused", f"{trip}; find out why, clear it at the instrument, then start again")
        else:
            yield Check(where, "good", words)
        if old:
            yield Check(where, "note", f"old entries in its error queue: {'; '.join(str(e) for e in old)}")
    yield from _twice_the_same(rig)


_CHECK_ADDRESS = "check address and dialect in the bench file"


def _ask_all(driver: Driver) -> tuple[bool, str | None]:
    """Put every question of its role once: (is it on, what has tripped)."""
    if isinstance(driver, Supply | Load):
        driver.state()
        on = driver.output_is_on() if isinstance(driver, Supply) else driver.input_is_on()
        return on, driver.tripped()
    if isinstance(driver, PowerSwitch):
        return driver.is_on(), None
    if isinstance(driver, Contact):
        driver.closed()
    elif isinstance(driver, Meter):
        driver.measure_volts()
    elif isinstance(driver, ShuntMeter):
        driver.measure_amps()
    else:
        driver.measure_temp_c()
    return False, None


def _short(error: Exception) -> str:
    """The error without the instrument's name and address, which stand before it already."""
    if isinstance(error, WireError):
        return f"{error.sent.decode('ascii', 'replace').strip()} got {error.why.partition(';')[0]}"
    if isinstance(error, InstrumentFault):
        return f"{error.sent} got {error.why if error.received is None else f'{error.received!r}, {error.why}'}"
    return str(error)


def _twice_the_same(rig: Rig) -> Iterator[Check]:
    for (one, driver), (other, again) in combinations(rig.drivers.items(), 2):
        if driver.identity == again.identity and type(driver) is not type(again):
            text = f"answers with the very identity of {other}, serial {again.identity.serial}; correct the addresses"
            yield Check(one, "refused", text)


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


def mean(values: Iterable[float]) -> float:
    known = list(values)
    return sum(known) / len(known)


DEAD_NODE_V = 2.0
"""A UPS's battery terminals with nothing on and no mains come to this or less, its capacitors apart (judgement)."""


def dead_node(rig: Rig, volts: float) -> Iterator[Check]:
    """With a UPS wired up and everything off nothing may hold its battery terminals up (``volts``): no pack, no
    charger. Behind an open contactor nobody may see them: then it is asked again once that is closed."""
    seen = "UPS's battery terminals" if math.isnan(volts) else f"{volts:.3f} V at the UPS's battery terminals"
    if math.isnan(volts):
        yield Check("UPS volts", "refused", f"{seen}: no reading; check the leads")
    elif not abs(volts) <= DEAD_NODE_V:
        what = "reversed battery" if volts < 0 else "battery, or a charger with mains on,"
        text = f"{seen} with everything off, at most {DEAD_NODE_V:g} V expected: a {what} is still there; take it away"
        yield Check("UPS volts", "refused", text)
    else:
        yield Check("UPS volts", "good", f"{seen}, dead as it should be with everything off")
    for what in ("mains", "ac-load"):
        by_hand = "switched by a person's hand; whether it is off cannot be seen"
        yield Check(what, "good", by_hand if rig.switch(what) is None else "its switch says open")


def _contactor(site: Site, rig: Rig) -> Iterator[Check]:
    """Behind an open contactor only whoever is wired to the pack itself can see it."""
    if rig.switch("contactor") is None or rig.place is None:
        return
    seer = next(entry for entry in site.bench.instruments if entry.name == rig.place.name)
    if seer.role == "meter" or seer.sense == "remote":
        return
    text = "nothing is wired to the pack's own side of it: add a meter there, or the sense leads of load or supply"
    yield Check("contactor", "refused", text)


def _rest_volts(site: Site, volts: float, *, full: bool) -> Iterator[Check]:
    env, pack = site.envelope, site.pack
    band = f"{env.never_below_v:.2f} to {env.high_v:.2f} V for {pack.cells_in_series} cells of {pack.chemistry}"
    seen = "pack's terminals" if math.isnan(volts) else f"{volts:.3f} V at the pack's terminals"
    if why := _out_of_band(site, volts):
        yield Check("pack volts", "refused", f"{seen}: {why[0]}; expected {band}; {why[1]}")
        return
    yield Check("pack volts", "good", f"{seen}, expected {band}")
    if volts > NOT_RESTED * env.full_rest_v:
        text = f"above {NOT_RESTED * env.full_rest_v:.2f} V: charged lately, not rested yet"
        yield Check("pack volts", "note", text)
    if full and volts < NOT_FULL * env.full_rest_v:
        text = f"a full pack rests at about {env.full_rest_v:.2f} V: if this one is not full its capacity comes out low"
        yield Check("pack volts", "note", text)


def _out_of_band(site: Site, volts: float) -> tuple[str, str] | None:
    """What is wrong with the volts of a pack at rest, and what to do; ``None`` when they are in their band."""
    env, pack = site.envelope, site.pack
    if math.isnan(volts):
        return "no reading", "check the leads"
    if volts <= -OPEN_V:
        return "reversed", "turn the leads round before anything is switched on"
    if volts < OPEN_V:
        return "open, asleep or not connected", "check fuse and leads, or wake the pack as its maker says"
    count = f"cells_in_series = {pack.cells_in_series} and chemistry = {pack.chemistry} in {pack.path}"
    if not volts >= env.never_below_v:
        return (
            "under its floor",
            f"check {count} against the label; if they are right the pack is over-discharged, and it is not revived "
            "here: see its data sheet",
        )
    if not volts <= env.high_v:
        return "too high", f"check {count} against the label"
    return None


FAR_SIDE_V = 1.0
"""Behind an open contactor there is less than this, V."""


def _far_side(name: str, volts: float) -> Check:
    if abs(volts) <= FAR_SIDE_V:
        return Check(name, "good", f"reads {volts:.3f} V behind the open contactor")
    text = f"reads {volts:.3f} V although the contactor says open, limit {FAR_SIDE_V:g} V; is it welded, or bridged?"
    return Check(name, "refused", text)


def voltmeters(site: Site, rig: Rig, turns: list[Turn], *, contactor_open: bool = False) -> Iterator[Check]:
    """With no current every voltmeter on the node sees the same volts; behind an open contactor there are none."""
    if rig.place is None:
        return
    channels = Channels(site, rig.place)
    reference = mean(turn.pack_volts for turn in turns)
    if math.isnan(reference):
        return
    u_ref = combine(channels.volts_lines(volts=reference, amps=0.0)).standard_uncertainty
    for entry in site.bench.instruments:
        if entry.name == rig.place.name or not entry.is_voltmeter:
            continue
        volts = mean(turn.readings[f"{entry.name}_volts"] for turn in turns)
        if contactor_open and entry.role in ("supply", "load") and entry.sense == "local":
            yield _far_side(entry.name, volts)
            continue
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
    if math.isnan(temp):
        yield Check("temperature", "refused", f"no reading of {rig.temp_name}; check the probe")
    elif low <= temp <= high:
        yield Check("temperature", "good", seen)
    else:
        yield Check("temperature", "refused", f"{seen}; let it come to room temperature, or check the probe")


def _disk(out: Path) -> Check:
    free = shutil.disk_usage(out).free
    seen = f"{free / 1e6:.0f} MB free at {out}"
    if free < FREE_BYTES:
        return Check("disk", "refused", f"{seen}, at least {FREE_BYTES / 1e6:.0f} MB needed; make room or choose --out")
    return Check("disk", "good", seen)
