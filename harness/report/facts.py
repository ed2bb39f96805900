"""Everything a page says of one run, read once: result, samples as columns, events, and what could not be read.

Nothing in the folder is written. What is damaged is told in words and left out; the rest is still shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.errors import UserError
from harness.folder import INTERRUPTED, RunFolder
from harness.guard_log import GuardsWord, guards_word
from harness.history import Event, number, on_the_clock_of_samples
from harness.jsonlines import events
from harness.plain import safe_text
from harness.report.plots import Numbers
from harness.result import Result
from harness.samplefile import Table, table
from harness.sums import changes

LONGEST_S = 10.0
"""Between two samples: longer than off and its proof take, so nobody looked (judgement)."""


@dataclass(frozen=True, slots=True)
class Spell:
    """Rows ``first`` to ``last`` in one state; ``rows`` counts them from the beginning of the record."""

    state: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class RunFacts:
    """``damage``: in words, which files could not be read at all. ``left_out``: what was torn off at their ends.
    ``changed``: what is not as it was when the run ended."""

    folder: RunFolder
    result: Result
    outcome: str
    samples: Table | None
    events: tuple[Event, ...]
    guard: GuardsWord | None
    damage: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    spells: tuple[Spell, ...] = field(default=())

    @property
    def seen_off(self) -> bool:
        """Whether the guard of a run that died saw its bench off."""
        return self.outcome == INTERRUPTED and self.guard is not None and self.guard.off_at is not None

    @property
    def hours(self) -> tuple[float, str]:
        """What to divide seconds by for an axis, and the word for it."""
        seconds = 0.0 if self.samples is None or not self.samples.rows else float(self["elapsed_s"][-1])
        return (3600.0, "hours") if seconds > 7200 else (60.0, "minutes") if seconds > 180 else (1.0, "seconds")

    def __getitem__(self, name: str) -> Numbers:
        """A column of the samples; all nan when it is not there."""
        assert self.samples is not None
        column = self.samples.numbers.get(name)
        return np.full(self.samples.rows, math.nan) if column is None else column

    def of(self, kind: str) -> Iterator[Event]:
        """Events of one kind, in order."""
        return (event for event in self.events if event.get("kind") == kind)

    def figure(self, name: str) -> tuple[float, float]:
        """Value and expanded uncertainty of a figure, nan where there is none."""
        found = self.result.figures.get(name)
        if found is None:
            return math.nan, math.nan
        spread = math.nan if found.expanded_uncertainty is None else found.expanded_uncertainty
        return float(found.value), spread

    def condition(self, name: str) -> float:
        """A condition that is a number; nan where it is none."""
        found = self.result.conditions.get(name)
        if found is None or isinstance(found.value, bool) or not isinstance(found.value, int | float):
            return math.nan
        return float(found.value)

    def gaps(self) -> Iterator[tuple[float, float]]:
        """From when to when there is no sample, s."""
        if self.samples is None or self.samples.rows < 2:
            return
        elapsed = self["elapsed_s"]
        for at in np.flatnonzero(np.diff(elapsed) > LONGEST_S):
            yield float(elapsed[at]), float(elapsed[at + 1])


def gather(folder: RunFolder, result: Result) -> RunFacts:
    """Read the rest of the folder."""
    damage: list[str] = []
    left_out: list[str] = []
    samples, happened = _samples(folder, damage, left_out), _events(folder, damage, left_out)
    return RunFacts(
        folder=folder,
        result=result,
        outcome=result.outcome or folder.outcome(),
        samples=samples,
        events=on_the_clock_of_samples(happened),
        guard=guards_word(folder),
        damage=tuple(damage),
        left_out=tuple(left_out),
        changed=_changed(folder),
        spells=() if samples is None else tuple(_spells(samples)),
    )


def _changed(folder: RunFolder) -> tuple[str, ...]:
    """What is not as it was: against the list made at the run's end and, of a run that died, that of its inputs."""
    found = changes(folder)
    inputs = [f"inputs/{safe_text(name)}: not as the run used it" for name in folder.changed_inputs()]
    return (*found, *(one for one in inputs if not any(line.startswith(one.partition(":")[0]) for line in found)))


def _samples(folder: RunFolder, damage: list[str], left_out: list[str]) -> Table | None:
    try:
        found = table(folder)
    except UserError as error:
        damage.append(str(error))
        return None
    if str(found.tail):
        left_out.append(f"samples.csv: {found.tail}")
    return found


def _events(folder: RunFolder, damage: list[str], left_out: list[str]) -> tuple[Event, ...]:
    found: list[Event] = []
    reader = events(folder)
    try:
        found.extend(reader)
    except UserError as error:
        damage.append(str(error))
    if str(reader.tail):
        left_out.append(f"events.jsonl: {reader.tail}")
    return tuple(found)


def _spells(samples: Table) -> Iterator[Spell]:
    if not samples.rows:
        return
    state: NDArray[np.str_] = np.asarray(samples.words["state"])
    begins = [0, *(np.flatnonzero(state[1:] != state[:-1]) + 1), samples.rows]
    for first, after in pairwise(begins):
        yield Spell(str(state[first]), int(first), int(after) - 1)


def seconds(event: Event) -> float:
    """When an event was, s on the clock of the samples; nan when it does not say."""
    return number(event, "elapsed_s")
