"""The barriers of a run: what holds each hazard when this program and its computer do nothing.

Two barriers outside the computer for everything that burns or bursts: then a run may be left alone. Program, guard and
computer together count as one, whatever they see, and are listed apart. A layer that was only declared counts where
nothing but its own working could show it (the pack's BMS in a discharge, a fuse); an instrument's own stop counts once
it was seen to act.

Everything here is a pure function of ``Facts`` and ``Tried``; ``harness/barrier_facts.py`` makes them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from harness.barrier_layers import bms, bms_any, cut_out, derating, fuse, load_stop, supply_stop, typed, watchdogs
from harness.barrier_records import (
    ASKED,
    GENTLE_IT,
    MOST_IT,
    WARM_ROOM_C,
    Facts,
    Layer,
    Place,
    Row,
    Tried,
)

__all__ = ["MOST_IT", "WARM_ROOM_C", "Facts", "Layer", "Row", "Tried", "refusals", "table"]


@dataclass(slots=True)
class _Hazard:
    words: str
    applies: Callable[[Facts], bool]
    places: Callable[[Facts, Tried], Iterator[Place]]
    inside: tuple[str, ...]
    residual: Callable[[Facts], str] = field(default=lambda facts: "")


def table(facts: Facts, tried: Tried) -> tuple[Row, ...]:
    """A row for each hazard that the run has."""
    return tuple(_row(hazard, facts, tried) for hazard in HAZARDS if hazard.applies(facts))


def _row(hazard: _Hazard, facts: Facts, tried: Tried) -> Row:
    places = list(hazard.places(facts, tried))
    layers = tuple(place.layer for place in places if place.layer is not None)
    missing = 2 - sum(layer.counts for layer in layers)
    inside = (*hazard.inside, _guard(tried))
    cheapest = _cheapest(places, missing) if missing > 0 else ""
    return Row(hazard.words, layers, inside, missing <= 0, cheapest, hazard.residual(facts))


def _guard(tried: Tried) -> str:
    if tried.guard:
        return f"guard, seen to act {tried.guard}"
    return "guard, made to act before it is left alone" if tried.pending else "guard, not made to act before this run"


def _cheapest(places: list[Place], missing: int) -> str:
    """The least dear remedies for so many barriers; never one for which nothing can be done."""
    open_ = [place for place in places if place.remedy and (place.layer is None or not place.layer.counts)]
    whole = [place.remedy for place in open_ if place.whole]
    chosen = sorted((place for place in open_ if not place.whole), key=lambda place: place.cost)[:missing]
    if whole and (len(chosen) < missing or missing > 1):
        return whole[0]
    if len(chosen) < missing:
        return "; and ".join([*(place.remedy for place in chosen), "stay with it: nothing else would be enough"])
    return "; and ".join(place.remedy for place in chosen)


def refusals(facts: Facts, tried: Tried) -> tuple[str, ...]:
    """Why this run needs somebody there, each with the cheapest thing that would mend it; empty when it may be left."""
    if facts.subject == "ups":
        return facts.never  # nothing would make it pass
    rows = (row for row in table(facts, tried) if not row.enough)
    return (*facts.never, *(f"{row.hazard}: {_has(row)}; cheapest: {row.cheapest}" for row in rows))


def _has(row: Row) -> str:
    if not row.outside:
        return "no barrier outside the computer, two are needed"
    standing = ", ".join(f"{layer.words} ({layer.known})" for layer in row.outside)
    if row.barriers == 0:
        return f"no barrier that counts: {standing}; two are needed"
    return f"one barrier outside the computer that counts, two are needed: {standing}"


# -- the hazards -------------------------------------------------------------------------------------------------------


def _under_floor(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield load_stop(facts, tried)
    yield bms(
        facts,
        guards=facts.bms_low,
        seen=tried.bms_low,
        must_be_seen=False,
        what="lowest cell",
        key="bms_cell_low_volts",
    )
    yield from watchdogs(facts, tried, "load")


def _over_charge(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield supply_stop(facts, tried)
    high = bms(
        facts,
        guards=facts.bms_high,
        seen=tried.bms_high,
        must_be_seen=True,
        what="highest cell",
        key="bms_cell_high_volts",
    )
    yield high
    later = ", then --set charge_first=false" if facts.procedure == "capacity" else ""
    yield Place(None, f"charge it with somebody there{later}", 1, whole=True)
    if facts.supply_ceiling:
        yield Place(Layer(f"{facts.supply} cannot give more than the pack bears", "by its rating"))
    yield from watchdogs(facts, tried, "supply")


def _cold(facts: Facts, tried: Tried) -> Iterator[Place]:
    if tried.typed is None or "room" in tried.typed:
        known = ASKED if tried.typed is None else f"{tried.typed['room']} degC typed at the start"
        yield Place(Layer(f"room held at {WARM_ROOM_C:g} degC or above", known, 2))
        return
    yield Place(None, f"a room that stays at {WARM_ROOM_C:g} degC or above", 1)
    yield cut_out(facts, "cold")


def _heat(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield derating(facts, MOST_IT)
    yield bms(
        facts, guards=facts.bms_hot, seen="", must_be_seen=False, what="highest temperature", key="bms_temp_max_c"
    )
    yield cut_out(facts, "pack")
    roles = [role for role, used in (("load", facts.rate_it > 0), ("supply", facts.charging)) if used]
    yield from watchdogs(facts, tried, *roles)


def _short(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield fuse(facts, tried)
    if facts.subject == "ups":
        yield Place(Layer(f"{facts.supply or 'supply'}'s own current limit", "set and read back"))
    else:
        yield bms_any(facts, "over-current")


def _joint(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield typed(tried, "joints", "lugs and clips tightened", "tighten lugs and clips and say with what")
    most = MOST_IT if facts.joint_seen or facts.lug_thermometer else GENTLE_IT
    seen = "a voltmeter at each end of the leads" if facts.joint_seen else "a thermometer at the lug"
    why = f", with {seen}, which the interlocks judge"
    yield derating(facts, most, why if most > GENTLE_IT else "")
    if most <= GENTLE_IT:
        remedy = (
            f'a thermometer at the lug (measures = "lug"), or a meter at the pack beside an instrument that measures '
            f"at its own terminals, for up to {MOST_IT:g} It"
        )
        yield Place(None, remedy, 2)
    if facts.leads_undeclared and max(facts.rate_it, facts.charge_it) <= MOST_IT * (1 + 1e-9):
        yield Place(None, _declare(facts.leads_undeclared), 0)
    yield cut_out(facts, "lug")


def _declare(names: tuple[str, ...]) -> str:
    return (
        f"lead_mohm of {' and '.join(names)} in the bench file (both conductors together), so that a joint that is bad "
        f"from the start is seen, for up to {MOST_IT:g} It"
    )


def _hydrogen(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield typed(tried, "air", "ventilation", "say how the room is aired")
    yield supply_stop(facts, tried)


def _fire(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield typed(tried, "tray", "tray that does not burn, a metre clear", "a tray that does not burn, 1 m clear")
    if "smoke" in facts.cut_outs:
        yield cut_out(facts, "smoke")
    yield typed(tried, "detector", "smoke detector with its own siren", "a smoke detector in the room, tested today")


def _ups_volts(facts: Facts, tried: Tried) -> Iterator[Place]:
    yield supply_stop(facts, tried)
    yield from watchdogs(facts, tried, "supply")


def _short_words(facts: Facts) -> str:
    if facts.subject == "ups":
        return "its own capacitors spark when it is connected"
    amps = "hundreds of amperes" if facts.short_amps is None else f"about {facts.short_amps:.0f} A"
    return f"a short circuit takes {amps}: the fuse must be made to break that, as DC; an arc on re-plugging"


def _joint_words(facts: Facts) -> str:
    if facts.joint_seen or facts.lug_thermometer:
        return "a joint heats in less than a minute; what is not between the voltmeters is not seen"
    if facts.leads_undeclared:
        return "only a joint that becomes worse is seen, not one that is bad from the start"
    return "no instrument of this bench sees a joint that heats: only the low current holds it"


def _pack(facts: Facts) -> bool:
    return facts.subject == "pack"


HAZARDS: tuple[_Hazard, ...] = (
    _Hazard(
        "a cell driven under its floor",
        lambda f: _pack(f) and f.rate_it > 0,
        _under_floor,
        ("end voltage", "low volts", "charge and time"),
        lambda f: "volts of a pack do not bound its cells: one may be under its floor unseen",
    ),
    _Hazard(
        "a cell over-charged",
        lambda f: _pack(f) and f.charging,
        _over_charge,
        ("high volts", "charge and time", "tail"),
        lambda f: "one cell may go over its limit where the BMS does not act",
    ),
    _Hazard(
        "lithium charged in the cold",
        lambda f: _pack(f) and f.charging and f.lithium,
        _cold,
        ("temperature",),
        lambda f: "plating leaves no trace, and the probe is not the core",
    ),
    _Hazard(
        "the pack overheats",
        _pack,
        _heat,
        ("temperature", "heating"),
        lambda f: "off does not stop a runaway once it heats itself; its fumes are toxic",
    ),
    _Hazard("a short circuit or far too much current", lambda f: True, _short, ("over-current",), _short_words),
    _Hazard("a hot or loose joint", _pack, _joint, ("lead resistance",), _joint_words),
    _Hazard(
        "hydrogen from lead-acid",
        lambda f: _pack(f) and f.charging and not f.lithium,
        _hydrogen,
        ("charge and time",),
        lambda f: "its valves open without a sign",
    ),
    _Hazard(
        "a fire spreads",
        _pack,
        _fire,
        (),
        lambda f: "this program cannot put out a fire, and calls nobody",
    ),
    _Hazard(
        "the UPS driven above what it bears",
        lambda f: f.subject == "ups",
        _ups_volts,
        ("high volts",),
        lambda f: "its output is live without mains",
    ),
)
"""Consequences only: what may cause them (a frozen reading, a dead computer, a second user) is held by the same layers.
Wrong polarity, wrong cell count, back-feed and inrush are closed by wiring and by the look before a run."""
