"""The layers that may stand between a hazard and the world, each with what would provide it where it is missing."""

from __future__ import annotations

from collections.abc import Iterator

from harness.barrier_records import (
    ARMED,
    ASKED,
    BMS_IS_THE_OBJECT,
    CUT_OUTS,
    GENTLE_IT,
    PENDING,
    UNASKED,
    Facts,
    Layer,
    Place,
    Tried,
)


def own_stop(*, of: str, what: str, declared: str, seen: str, pending: str, remedy: str, key: str) -> Place:
    """An instrument's own stop: it counts once it was seen to act."""
    words = f"{of}'s own {what} stop"
    if declared == "not settable":
        return Place(None, f"a dialect of {of} with a table [{key}]", 1)
    if declared != "settable":
        remedy = f"own_{key}_stop = true for {of}, if it has a {what} stop that latches; else one that has"
        return Place(None, remedy, 2)
    known = seen if seen == UNASKED else f"seen to act {seen}" if seen else pending or "declared, not seen"
    return Place(Layer(words, known, int(bool(seen or pending))), remedy, 1)


def load_stop(facts: Facts, tried: Tried) -> Place:
    return own_stop(
        of=facts.load or "load",
        what="low-volts",
        declared=facts.load_stop,
        seen=tried.load_stop,
        pending=PENDING if tried.pending else "",
        remedy="let it act once: a run --unattended trips it first",
        key="low_volts",
    )


def supply_stop(facts: Facts, tried: Tried) -> Place:
    return own_stop(
        of=facts.supply or "supply",
        what="over-volts",
        declared=facts.supply_stop,
        seen=tried.supply_stop,
        pending="",
        remedy="take the pack off the bench and run `nightbench stops --bench FILE`",
        key="over_volts",
    )


PENDING_EXPIRY = "let expire for real before the run switches on"


def watchdogs(facts: Facts, tried: Tried, *roles: str) -> Iterator[Place]:
    """Told, and counted for none: it acts where computer or line is dead, and keeps still while a program that is wrong
    talks to it, so that it holds no hazard by itself."""
    named = {
        "load": (facts.load or "load", facts.load_watchdog),
        "supply": (facts.supply or "supply", facts.supply_watchdog),
    }
    for role in roles:
        name, there = named[role]
        if not there:
            continue
        seen = tried.watchdog.get(role, "")
        pending = PENDING_EXPIRY if tried.pending and role == "load" else "not seen to act"
        known = seen if seen == UNASKED else f"seen to act {seen}" if seen else pending
        yield Place(Layer(f"{name}'s own watchdog of its line", f"{ARMED}, {known}; counts for none", 0))


def bms(facts: Facts, *, guards: bool, seen: str, must_be_seen: bool, what: str, key: str) -> Place:
    if facts.procedure in BMS_IS_THE_OBJECT:
        return Place(Layer("BMS", "it is what is measured here", 0))
    if not facts.bms:
        return Place(None, "a pack whose BMS watches every cell", 4)
    if not guards:
        return Place(None, f"{key} in the pack file, off its data sheet, if its BMS has it", 0)
    known = f"seen to act {seen}" if seen else "declared, not seen to act"
    return Place(Layer(f"BMS, {what}", known, int(bool(seen) or not must_be_seen)))


def bms_any(facts: Facts, what: str) -> Place:
    return bms(facts, guards=True, seen="", must_be_seen=False, what=what, key="")


def fuse(facts: Facts, tried: Tried) -> Place:
    if facts.fuse_amps is None:
        return Place(None, "fit a DC fuse at the pack terminal and write fuse_amps in the bench file", 2)
    words = f"DC fuse of {facts.fuse_amps:g} A"
    if tried.typed is not None and "fuse" not in tried.typed:
        return Place(Layer(words, "declared, not seen", 0), "read the fuse's rating off it", 0)
    return typed(tried, "fuse", words, "")


def typed(tried: Tried, key: str, words: str, remedy: str) -> Place:
    """What a person saw to, and typed something off it."""
    if tried.typed is None:
        return Place(Layer(words, ASKED))
    if key in tried.typed:
        return Place(Layer(words, "fitted; typed at the start"))
    return Place(None, remedy, 0)


def cut_out(facts: Facts, key: str) -> Place:
    if key in facts.cut_outs:
        return Place(Layer(f"{CUT_OUTS[key]} in the contactor's coil line", "declared, not seen to act"))
    return Place(None, f'a {CUT_OUTS[key]} in the coil line of a contactor (cut_outs = "{key}")', 3)


def derating(facts: Facts, most_it: float, why: str = "") -> Place:
    """A current so small that nothing gets hot, or not before it is seen."""
    rate = max(facts.rate_it, facts.charge_it)
    if rate <= GENTLE_IT * (1 + 1e-9):
        return Place(Layer(f"current of at most {GENTLE_IT:g} It", f"by the plan: {rate:g} It"))
    if rate <= most_it * (1 + 1e-9):
        return Place(Layer(f"current of at most {most_it:g} It{why}", f"by the plan: {rate:g} It"))
    return Place(None, f"a plan of at most {most_it * facts.rated_ah:.3g} A ({most_it:g} It)", 1)
