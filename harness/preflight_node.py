"""Looking at the node before a run, with everything off: what it rests at, and whether all voltmeters on it agree."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from harness.channels import Channels
from harness.clock import Clock
from harness.preflight_check import Check
from harness.reading import Turn
from harness.rig import Rig
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


def settled_turns(rig: Rig, clock: Clock) -> list[Turn]:
    """Readings of everything, a few times over."""
    turns = []
    for _ in range(SAMPLES):
        turns.append(rig.read())
        clock.sleep(SAMPLES_APART_S)
    return turns


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


def contactor(site: Site, rig: Rig) -> Iterator[Check]:
    """Behind an open contactor only whoever is wired to the pack itself can see it."""
    if rig.switch("contactor") is None or rig.place is None:
        return
    seer = next(entry for entry in site.bench.instruments if entry.name == rig.place.name)
    if seer.role == "meter" or seer.sense == "remote":
        return
    text = "nothing is wired to the pack's own side of it: add a meter there, or the sense leads of load or supply"
    yield Check("contactor", "refused", text)


def rest_volts(site: Site, volts: float, *, full: bool) -> Iterator[Check]:
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
