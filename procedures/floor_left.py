"""A voltage-floor sweep out of its record: the sweep itself, run over what was recorded instead of over a bench.

The same code sets the same levels and pushes the same rows into the same folds; each of its wishes is held against
what the record says was done then. So nothing is judged twice, by two different rules.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from harness.block import STATE_WORDS
from harness.channels import Channels
from harness.errors import Usage
from harness.history import Event, History, number, rows_before
from harness.procedure import Found, Remains
from harness.result import Condition
from harness.sample import Sample
from harness.site import Site
from procedures.floor_figures import IDS, Swept, figures, not_measured
from procedures.floor_plan import VoltageFloorPlan
from procedures.floor_resume import rest_of, to_go_on_with
from procedures.floor_sweep import Sweep, lead_ohm
from procedures.plans import settled
from procedures.remains import DIED

TOGETHER = ("floor_v", "first_bad_v", "warn_to_off_v")
"""Figures that both staircases make together."""

EVENTS_TO_THE_US_S = 1e-6
"""Events carry their time to the microsecond, samples to the last digit."""


class RecordOver(Exception):
    """The record ends here."""


class RecordDiffers(Usage):
    """The record does not say what this sweep would have done."""


class Recording:
    """The record of a sweep in the place of its bench and of its supply. Raises ``RecordOver`` at its end and
    ``RecordDiffers`` where it tells of something else than is asked."""

    def __init__(self, history: History, *, site: Site) -> None:
        self.site = site
        self.period_s = site.bench.loop_period_s
        self._rows, self._where = history.rows, history.folder.path
        begun = next((at for at, one in enumerate(history.events) if one.get("kind") == "energised"), None)
        self._events = () if begun is None else history.events[begun:]
        self._next_event, self._next_row = 1, rows_before(self._events[0]) if self._events else 0
        self._now = number(self._events[0], "on_s") if self._events else 0.0
        self._switched = {"mains": False, "ac-load": None if site.bench.switching("ac-load") is None else False}

    # -- as a bench --------------------------------------------------------------------------------------------------

    def elapsed(self) -> float:
        """Time of the last thing taken from the record, s."""
        return self._now

    def can_switch(self, what: str) -> str:
        """How it was switched: by a "switch", else by a "person"."""
        return "person" if self.site.bench.switching(what) is None else "switch"

    def samples(self, *, every_s: float | None = None, for_s: float | None = None) -> Iterator[Sample]:
        """The rows that follow."""
        yield self._row()
        while for_s is None:
            yield self._row()

    def mains(self, *, on: bool) -> Iterator[Sample]:
        """The rows until it was switched, and one after it."""
        yield from self._until_switched("mains", on)

    def ac_load(self, *, on: bool) -> Iterator[Sample]:
        """The same for the load on the output."""
        yield from self._until_switched("ac-load", on)

    def _until_switched(self, what: str, on: bool) -> Iterator[Sample]:
        if self._switched[what] is on:
            return
        event = self._event("switched")
        if event is not None and (event.get("what"), event.get("on")) != (what, on):
            raise self._differs(f"{what} {'on' if on else 'off'}", event)
        while event is None or self._next_row < rows_before(event):
            yield self._row()
        self._switched[what] = on
        yield self._row()

    # -- as a supply -------------------------------------------------------------------------------------------------

    def set_volts(self, *, volts: float) -> None:
        """Told these volts, as the record has it."""
        self._told("volts", volts)

    def set_amps(self, *, amps: float) -> None:
        """Told these amps, as the record has it."""
        self._told("amps", amps)

    def _told(self, what: str, value: float) -> None:
        event = self._event("intent")
        if event is None:
            raise RecordOver
        if not math.isclose(number(event, what), value, rel_tol=1e-12) or self._next_row > rows_before(event):
            raise self._differs(f"{value:g} of {what}", event)
        self._next_row = rows_before(event)
        self._now = number(event, "elapsed_s") - EVENTS_TO_THE_US_S

    # -- the record --------------------------------------------------------------------------------------------------

    def _row(self) -> Sample:
        if self._next_row >= len(self._rows) or self._rows[self._next_row].state != STATE_WORDS["stand-in"]:
            raise RecordOver
        row = self._rows[self._next_row]
        self._next_row += 1
        self._now = row.elapsed_s
        return row

    def _event(self, kind: str) -> Event | None:
        """The next event of this kind; None at the end. An intent to switch something is told by its ``switched``."""
        while self._next_event < len(self._events):
            event = self._events[self._next_event]
            self._next_event += 1
            if event.get("kind") == kind and (kind != "intent" or "phase" in event):
                return event
        return None

    def _differs(self, wanted: str, event: Event) -> RecordDiffers:
        told = ", ".join(f"{key} {event[key]}" for key in ("kind", "what", "on", "volts", "amps") if key in event)
        return RecordDiffers(
            f"{self._where}: its record cannot be gone through again: {wanted} expected, {told} found; begin anew with "
            "`run`"
        )


@dataclass(slots=True)
class Refolded:
    """What the folds say of a record. ``over``: the sweep had come to its end. ``set_amps``: the supply's limit, A."""

    run: Swept
    set_amps: float
    over: bool


def refolded(remains: Remains) -> Refolded:
    """The sweep over its record. Raises ``RecordDiffers``."""
    plan: VoltageFloorPlan = remains.plan
    earlier = remains.history.earlier
    before = None if earlier is None else refolded(replace(remains, history=earlier))
    recording = Recording(remains.history, site=remains.site)
    run = Swept(Channels(remains.site, remains.place), lead_ohm(remains.site))
    sweep = Sweep(recording, recording, plan, run, settled(plan.amps_max))
    if before is not None and to_go_on_with(before.run):
        run = before.run
        sweep = Sweep(recording, recording, plan, run, before.set_amps)
    try:
        if run.coarse is None:
            sweep.all()
        else:
            rest_of(sweep)
    except RecordOver:
        return Refolded(run, sweep.set_amps, over=False)
    return Refolded(run, sweep.set_amps, over=True)


def floor_left(remains: Remains) -> Found:
    """Figures of what the sweep had found when it died; all of them when it was over."""
    known = refolded(remains)
    run = known.run
    if known.over:
        reason = f"{DIED}, after: {run.end_reason}"
    else:
        reason = DIED
        undecided = run.fine or run.coarse or run.up or run.first
        if undecided is None:
            return Found({}, reason, {}, dict.fromkeys(IDS, f"{DIED}: it died before a level was tried"))
        undecided.abandon()
        undecided.give_up(DIED, t_s=remains.history.ended_s)
    if run.restart is not None and run.fine is None and not run.restart.decided:
        run.restart, run.restart_why = None, f"{DIED} while it was looked for"
    made = figures(run)
    conditions = {
        "start_v": Condition(value=remains.plan.start_v, unit="V"),
        "dwell_s": Condition(value=remains.plan.dwell_s, unit="s"),
        "volts_measured": Condition(value=remains.place.words),
    }
    if run.coarse is not None:
        conditions["coarse_sweep"] = Condition(value=run.coarse.end_reason)
    missing = not_measured(run, made)
    if not known.over:
        missing |= {name: f"{DIED} before both staircases were over" for name in TOGETHER if name in missing}
    return Found(made, reason, conditions, missing)


def stage_words(known: Refolded) -> str:
    """Where the sweep stands, for a person."""
    run = known.run
    if known.over:
        return f"it was over: {run.end_reason}"
    coarse, fine = run.coarse, run.fine
    if coarse is None or not coarse.held:
        return "no level of its staircase was held yet"
    last = fine if fine is not None and fine.held else coarse
    which = "fine" if last is fine else "coarse"
    held = f"the {which} staircase had held {len(last.held)} levels, the last of {last.held[-1].set_v:.2f} V"
    return f"{held}, and ended: {last.end_reason}" if last.decided else held
