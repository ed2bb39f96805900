"""Whether a run may be left alone: from files before anything is talked to, from the bench before it is energised.

The order: files and earlier runs; then who answers, and which of their stops were seen to act; then what a person types
off the things themselves; then the load's own stop, tripped for real. What one stage cannot know it takes for granted,
and the next one does not. No option loosens any of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

from drivers.load import Load
from drivers.supply import Supply
from harness import acknowledging, stops_seen
from harness.addresses import simulated
from harness.barrier_facts import facts_of
from harness.barrier_records import UNASKED
from harness.barriers import Facts, Row, Tried, refusals, table
from harness.block import Block
from harness.clock import Clock, WallClock
from harness.earlier_runs import bms_seen, watched_before
from harness.errors import PreflightRefused, SelfTestFailed
from harness.findings import Finding
from harness.guard_ways import out_of_reach
from harness.host import computer_checks
from harness.person import Person, sits_there
from harness.rig import Rig
from harness.stop_trial import Place, Seen
from harness.stops_tried import clear_trip, try_load_stop
from harness.tape import COMPUTER
from harness.watchdog_tried import WHAT, try_load_watchdog

if TYPE_CHECKING:
    from harness.bench import Bench
    from harness.job import Ready, Watcher

SWITCHED = ("supply", "load", "switch")
"""Roles of what is switched off by the guard."""


def facts(ready: Ready) -> Facts:
    """What the files say of this run."""
    return facts_of(ready.site, procedure=ready.job.procedure.name, charging=ready.charging, forecast=ready.forecast)


def by_files(ready: Ready, *, simulated: bool | None = None) -> Tried:
    """What earlier runs show, and the rest taken for granted: nobody has been asked yet. ``simulated``: whether the
    bench is, once that is known."""
    unasked = dict.fromkeys(("load", "supply"), UNASKED)
    if ready.site.subject == "ups":
        return Tried(supply_stop=UNASKED, watchdog=unasked)
    seen = bms_seen(ready, simulated=simulated)
    return Tried(supply_stop=UNASKED, watchdog=unasked, bms_low=seen.get("low", ""), bms_high=seen.get("high", ""))


def by_instruments(ready: Ready, rig: Rig, *, now: datetime) -> Tried:
    """The same, with what is remembered of the instruments that answered."""
    return replace(
        by_files(ready, simulated=rig.simulated),
        load_stop=_remembered(rig.load, ready, "low-volts", now),
        supply_stop=_remembered(rig.supply, ready, "over-volts", now),
        watchdog={"load": _remembered(rig.load, ready, WHAT, now), "supply": _remembered(rig.supply, ready, WHAT, now)},
    )


def _remembered(driver: Load | Supply | None, ready: Ready, what: str, now: datetime) -> str:
    if driver is None:
        return ""
    entry = next(e for e in ready.site.bench.instruments if e.name == driver.name)
    return stops_seen.seen(driver.identity, entry=entry, what=what, now=now)


def obstacles(ready: Ready, tried: Tried | None = None, identities: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """Why this run needs somebody there, each with the cheapest thing that would mend it; empty when it may be left."""
    found = refusals(facts(ready), by_files(ready) if tried is None else tried)
    if ready.site.subject == "ups":
        return found
    first = watched_before(ready, identities)
    return (*found, *_unguarded(ready), *filter(None, (_watchdog_never_seen(ready, tried), first)))


def _unguarded(ready: Ready) -> tuple[str, ...]:
    """Whatever switches on must be in the guard's reach, which its address tells."""
    found = ((one, out_of_reach(one.address)) for one in ready.site.bench.instruments if one.role in SWITCHED)
    return tuple(f"{one.name} ({one.address}): {why}" for one, why in found if why)


def _watchdog_never_seen(ready: Ready, tried: Tried | None) -> str:
    """The load's is let expire at the start of the run. The supply's can be only with nothing connected: words where a
    run that charges would rest on one that nobody has seen to act."""
    found = facts(ready)
    if not (found.charging and found.supply_watchdog) or tried is None or tried.watchdog.get("supply"):
        return ""
    how = "take the pack off the bench and run `nightbench stops --bench FILE`"
    return f"{found.supply}'s own watchdog of its line was never seen to act: {how}"


NO_TERMINAL = (
    "somebody must stay with this run and press Enter every 10 minutes, and no terminal's keys come here: start it in "
    "the foreground of a terminal, nothing redirected; nothing was switched on"
)


def why_watched(ready: Ready, tried: Tried) -> str:
    """What somebody must stay for and show that they do, in a run that was not started to be left alone; "" when
    nothing rests on them. What is only ever typed before a run that is left alone is taken as seen to by whoever is
    there."""
    found = refusals(facts(ready), replace(tried, pending=False, typed=None))
    if not found:
        return ""
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    way = "" if ready.site.subject == "ups" else "; on a bench that passes its table --unattended needs nobody"
    return f"somebody must stay: {found[0]}{more}{way}"


def computer_obstacles(clock: Clock) -> tuple[str, ...]:
    """What a person who is there only has to know of the computer, and what nobody there can mend."""
    return tuple(f"{check.what}: {check.text}" for check in computer_checks(clock))


def refuse_unattended(ready: Ready, tried: Tried | None = None, identities: Mapping[str, str] | None = None) -> None:
    """Raise ``PreflightRefused`` with the first obstacle and how many more there are."""
    found = obstacles(ready, tried, identities)
    if found:
        more = f" (and {len(found) - 1} more: `nightbench check --unattended` lists them)" if len(found) > 1 else ""
        raise PreflightRefused(f"--unattended: {found[0]}{more}")


# -- before it is energised --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cleared:
    """A run that may be left alone, once the load's stop has acted: what was typed and when, and the table.

    ``watched_for``: of one that was not started to be left alone, why somebody must show that they stay, "" when they
    need not."""

    tried: Tried
    answers: Mapping[str, str] = field(default_factory=dict)
    typed_before: str = ""
    rows: tuple[Row, ...] = ()
    watched_for: str = ""


def said_by(rig: Rig) -> dict[str, str]:
    """Answer to the identity question by instrument, as a result keeps it."""
    return {name: ",".join(driver.identity) for name, driver in rig.drivers.items()}


def clear_to_leave(
    ready: Ready, rig: Rig, person: Person, *, now: Callable[[], datetime], stopped: Callable[[], bool]
) -> Cleared:
    """Ask what has to be typed, and judge the bench with all that is known. Raises ``PreflightRefused``."""
    identities = said_by(rig)
    tried = by_instruments(ready, rig, now=now())
    refuse_unattended(ready, tried, identities)  # before anybody is asked to type for nothing
    if not rig.simulated and (why := computer_obstacles(WallClock())):
        raise PreflightRefused(f"--unattended: {'; '.join(why)}")
    about = acknowledging.seal(ready, identities)
    answers, before = acknowledging.remembered(ready, about, now=now())
    if not answers:
        answers = acknowledging.ask_all(ready, person, stopped=stopped)
        if stopped():
            return Cleared(tried, answers)
        if any(simulated(entry.address) is None for entry in ready.site.bench.instruments):
            acknowledging.remember(about, answers, now=now())
    tried = replace(tried, typed=acknowledging.layers_of(answers))
    refuse_unattended(ready, tried, identities)
    return Cleared(tried, answers, before, table(facts(ready), tried))


def allow(ready: Ready, rig: Rig, person: Person, watcher: Watcher, *, stopped: Callable[[], bool]) -> Cleared:
    """What a person has to type before anything is switched on, and the last look at what will be."""
    now = WallClock().utc
    if ready.job.unattended:
        cleared = clear_to_leave(ready, rig, person, now=now, stopped=stopped)
        watcher.before_energising(ready, cleared.tried)
        return cleared
    # Somebody is there: nothing is tripped, and of what holds the rest only the pack's label is asked.
    cleared = Cleared(replace(by_instruments(ready, rig, now=now()), pending=False, typed={}))
    cleared = replace(cleared, watched_for=_stays(ready, rig, cleared.tried, person, watcher))
    watcher.before_energising(ready, cleared.tried)
    if rig.simulated:
        watcher.rehearse(ready)
    elif ready.site.subject == "pack":
        watcher.acknowledge(ready)
    return cleared


def _stays(ready: Ready, rig: Rig, tried: Tried, person: Person, watcher: Watcher) -> str:
    """As ``why_watched``, once it is known that somebody can be heard. Raises ``PreflightRefused``."""
    why = why_watched(ready, tried)
    if not why or watcher.can_hear() or not sits_there(person):
        return why
    if rig.simulated:
        return ""  # nothing real is on, and its own hands cannot be reached
    raise PreflightRefused(f"{NO_TERMINAL}; {why}")


def note_cleared(ready: Ready, cleared: Cleared, note: Callable[..., None]) -> None:
    """Answers and table into the run's record, before anything was tried."""
    prompts = {question.key: question.prompt for question in acknowledging.QUESTIONS}
    for key, answer in cleared.answers.items():
        more = {"typed": cleared.typed_before} if cleared.typed_before else {}
        note("acknowledged", key=key, text=f"{prompts[key]}: {answer}", **more)
    _note_table(cleared.rows, note, tried=False)


def _note_table(rows: tuple[Row, ...], note: Callable[..., None], *, tried: bool) -> None:
    for row in rows:
        told = {"outside": [f"{layer.words} ({layer.known})" for layer in row.outside], "inside": list(row.inside)}
        note("barriers", hazard=row.hazard, **told, enough=row.enough, residual=row.residual, tried=tried)


def before_the_run(ready: Ready, bench: Bench, cleared: Cleared) -> Callable[[], object] | None:
    """What is made to act for real, inside the bench, before a run that is left alone; None before another."""
    if not ready.job.unattended:
        return None
    return lambda: _see_all_act(ready, bench, cleared)


def _see_all_act(ready: Ready, bench: Bench, cleared: Cleared) -> None:
    """Trip what has to be seen, and write down the table as it is then: each layer with the day it was seen to act."""
    today = WallClock().utc  # by the machine: a simulated bench has a calendar of its own
    iso = datetime.isoformat
    tape = bench.clock.tape
    day = tape.answer(COMPUTER, "today", today, absent=bench.clock.utc, pack=iso, unpack=datetime.fromisoformat)
    tried = trip_stops(ready, bench, cleared.tried, now=lambda: day)
    if bench.guarded_by is not None and bench.guarded_by.rehearsed:
        tried = replace(tried, guard=f"{day:%Y-%m-%d}")
    _note_table(table(facts(ready), tried), bench.note, tried=True)


def trip_stops(ready: Ready, bench: Bench, tried: Tried, *, now: Callable[[], datetime]) -> Tried:
    """Inside the bench, before the procedure: the load's own low-volts stop and its watchdog act for real, each unless
    it was seen to lately.

    Raises ``SelfTestFailed`` or ``PreflightRefused``; a driver's error ends the run. No sample is taken meanwhile; the
    guard hears of each look at the load, and of each half second in which it must hear nothing.
    """
    load, site = bench.rig.load, ready.site
    if site.subject == "ups" or load is None:
        return tried
    place = Place(site.bench, bench.rig, bench.clock, bench.note, _pause(bench))
    acted: set[str] = set()
    if not tried.load_stop:
        acted.add(_made_to_act(bench, load, "low-volts", lambda: try_load_stop(place, site), now))
        bench.guarded(lambda: clear_trip(load))
    if not tried.watchdog.get("load"):
        acted.add(_made_to_act(bench, load, WHAT, lambda: try_load_watchdog(place, site), now))
    acted.discard("")
    if not acted:
        return tried
    # What it was set to for this is no longer what it holds, and the time it took is no gap of a run.
    words = bench.guarded(bench.loop.states.remember)
    if words is not None:
        bench.stopping.trip(Finding("changed from outside", words))
    bench.block = Block(began_s=bench.elapsed())
    day = f"{now():%Y-%m-%d}"
    seen = {"load": day} if WHAT in acted else {}
    return replace(tried, load_stop=tried.load_stop or day, watchdog={**tried.watchdog, **seen}, pending=False)


def _made_to_act(
    bench: Bench, load: Load, what: str, try_it: Callable[[], Seen | None], now: Callable[[], datetime]
) -> str:
    """Try it and remember what came of it; "" where there is nothing to try."""
    entry = next(one for one in bench.site.bench.instruments if one.name == load.name)
    try:
        seen = bench.guarded(try_it)
    except SelfTestFailed as failed:
        stops_seen.forget(load.identity, entry=entry, what=what)
        bench.note("stop failed", sync=True, instrument=load.name, text=str(failed))
        raise
    if seen is None:
        return ""
    stops_seen.remember(load.identity, entry=entry, what=what, now=now())
    return what


def _pause(bench: Bench) -> Callable[[float], None]:
    def pause(seconds: float) -> None:
        # Each pause follows fresh readings of the load, judged right here, or rests on none: it must hear nothing.
        if bench.guard is not None:
            bench.guard.beat("sink", 0, 0.0)
        bench.wait_until(bench.clock.now() + seconds)
        bench.stopping.if_asked()

    return pause
