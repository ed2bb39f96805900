"""What the record of a run holds, read back for whoever goes on from it: samples, events, what was on when.

Torn and zero-filled ends are left out and counted. Nothing here writes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from harness.block import STATE_WORDS
from harness.errors import Usage
from harness.folder import RunFolder
from harness.gap import Commanded
from harness.historyrows import Rows
from harness.inside import place_in
from harness.jsonlines import events
from harness.result import Result, load_result
from harness.sample import Sample
from harness.samplefile import table

Event = dict[str, object]

CONTINUED = "continued"
"""Kind of the event with which a run says that it takes up another one, and how long after it (``gap_s``, s)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One time in which something was energised: its phase, when it was switched on (s), and its samples."""

    phase: str
    on_s: float
    rows: Sequence[Sample]


@dataclass(frozen=True, slots=True)
class History:
    """The record of one run. ``left_out``: in words, what could not be used of it, file by file. ``earlier``: of a run
    that took up another one, the record of that, its times before the beginning of this one."""

    folder: RunFolder
    result: Result
    rows: Rows
    events: tuple[Event, ...]
    left_out: tuple[str, ...] = ()
    earlier: History | None = None

    @property
    def commanded(self) -> Commanded:
        """What was on, or may have been, when the record ends: an intent is written before anything is switched on."""
        now = Commanded()
        for event in self.events:
            if event.get("kind") == "intent" and "phase" in event:
                now = Commanded(str(event["phase"]), number(event, "amps"), number(event, "volts"))
            elif event.get("kind") == "off" and event.get("result") == "confirmed":
                now = Commanded()
        return now

    @property
    def mains_on(self) -> bool:
        """Whether the UPS had mains, as far as is known, when the record ends."""
        on = False
        for event in self.events:
            if event.get("kind") == "switched" and event.get("what") == "mains":
                on = event.get("on") is True
            elif event.get("kind") == "off" and event.get("result") == "confirmed":
                on = False
        return on

    @property
    def ended_s(self) -> float:
        """Bench time of the last thing in the record, s; 0 when there is nothing."""
        return self._last[0]

    @property
    def ended(self) -> datetime:
        """Calendar time of the last thing in the record. Raises ``Usage`` when it is no time."""
        return _instant(self._last[1])

    @property
    def _last(self) -> tuple[float, str]:
        # The calendar clock may have been set back in the run: what was written last counts, not the latest.
        told = [(0.0, self.result.started)]
        told += [(row.elapsed_s, row.utc) for row in self.rows[-1:]]
        told += [(number(event, "elapsed_s"), str(event.get("utc"))) for event in self.events[-1:]]
        return max(told, key=lambda one: one[0])

    def stretches(self) -> Iterator[Stretch]:
        """Every energised stretch in order, with its samples; the last may have been cut off."""
        starts = [event for event in self.events if event.get("kind") == "energised"]
        for index, event in enumerate(starts):
            phase, on_s = str(event.get("phase")), number(event, "on_s")
            until_s = number(starts[index + 1], "on_s") if index + 1 < len(starts) else math.inf
            yield Stretch(phase, on_s, self.rows.between(from_s=on_s, to_s=until_s, state=STATE_WORDS.get(phase)))

    def resting(self, *, from_s: float, to_s: float) -> Sequence[Sample]:
        """Samples with everything off between two times, s."""
        return self.rows.between(from_s=from_s, to_s=to_s, state=STATE_WORDS["rest"])

    def moved(self, by_s: float) -> History:
        """The same with every time ``by_s`` later, s: put before the beginning of another run, for example."""
        earlier = None if self.earlier is None else self.earlier.moved(by_s)
        return replace(
            self,
            rows=self.rows.later(by_s),
            events=tuple(_moved(event, by_s) for event in self.events),
            earlier=earlier,
        )


def number(event: Event, key: str) -> float:
    """A number of an event; nan when it is not there."""
    value = event.get(key)
    return float(value) if isinstance(value, int | float) else math.nan


def _moved(event: Event, by_s: float) -> Event:
    return event | {key: number(event, key) + by_s for key in ("elapsed_s", "on_s") if key in event}


def _instant(stamp: str) -> datetime:
    try:
        found = datetime.fromisoformat(stamp)
    except ValueError as error:
        raise Usage(f"{stamp!r}: no time (RFC 3339) in the record; take the folder from a backup") from error
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)


def before_of(folder: RunFolder, result: Result) -> RunFolder:
    """The folder of the run that this one took up, beside its own. Raises ``Usage`` when there is none."""
    beside = folder.path.resolve().parent
    return RunFolder.open(place_in(beside, result.continued_from, told_by=f"{folder.result_json}: continued_from"))


def read_history(folder: RunFolder, *, _after: tuple[str, ...] = ()) -> History:
    """The record of ``folder``, with the marks beside the samples they came with.

    Raises ``Usage`` when nothing was recorded and ``DamagedRecord`` for damage before the end of a file.
    """
    result = load_result(folder)
    if folder.name in _after:
        raise Usage(f"{folder.result_json}: continued_from leads round in a circle; take the folders from a backup")
    read, told = table(folder), events(folder)
    happened = on_the_clock_of_samples(tuple(told))
    tails = {"samples.csv": read.tail, "events.jsonl": told.tail}
    left_out = tuple(f"{name}: {tail}" for name, tail in tails.items() if str(tail))
    history = History(folder, result, Rows(read, marks=_marks(happened)), happened, left_out)
    gap_s = next((number(one, "gap_s") for one in happened if one.get("kind") == CONTINUED), math.nan)
    if not result.continued_from or math.isnan(gap_s):
        return history
    before = read_history(before_of(folder, result), _after=(*_after, folder.name))
    return replace(history, earlier=before.moved(-(before.ended_s + gap_s)))


def on_the_clock_of_samples(happened: tuple[Event, ...]) -> tuple[Event, ...]:
    """Events count from the making of the record, samples from that of the bench, a moment later: how much later says
    each event that gives a time of both kinds."""
    late_s = [number(one, "elapsed_s") - number(one, "on_s") for one in happened if one.get("kind") == "energised"]
    by_s = min((found for found in late_s if found >= 0.0), default=0.0)
    return tuple(one | {"elapsed_s": number(one, "elapsed_s") - by_s} for one in happened)


def _marks(happened: tuple[Event, ...]) -> dict[int, tuple[str, ...]]:
    """Row -> marks: one is written before the row of the sample it was handed over with."""
    marks: dict[int, tuple[str, ...]] = {}
    for event in happened:
        if event.get("kind") == "mark":
            at = rows_before(event)
            marks[at] = (*marks.get(at, ()), str(event.get("text")))
    return marks


def rows_before(event: Event) -> int:
    """How many rows were written before this event; -1 when it does not say."""
    found = event.get("rows")
    return found if isinstance(found, int) else -1
