"""A run's folder followed from outside while it grows: rows, events, what the run says of itself, how it ended.

Only reading, a bounded piece at a time, and nothing raises: what cannot be read is said in words and left as it is. A
row or an event that is still being written is taken the next time.
"""

from __future__ import annotations

import math
import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from harness.badjson import BAD_JSON
from harness.errors import UserError
from harness.folder import RUNNING, RunFolder
from harness.guard_log import GuardsWord, guards_word
from harness.inside import open_inside
from harness.live import Live, read_live
from harness.result import Result, load_result
from harness.sample import Sample
from harness.samplefile import sample_of

PIECE_BYTES = 4 << 20
"""Most that is read of one file at a look: a long record is caught up with in a few looks, none of them long."""

LINE_MOST_BYTES = 1 << 20
"""A line longer than this is none of ours."""

POINTS_MOST = 1200
"""Points kept of a trace; then every second one goes."""

EVENTS_KEPT = 200


class Growing:
    """Whole lines of a file that grows, each once. ``restarted`` counts how often it became shorter."""

    def __init__(self, path: Path) -> None:
        self._path, self._read = path, 0
        self.restarted = 0
        self.trouble = ""
        self.behind = False
        """Whether there was more than was read."""

    def lines(self) -> list[bytes]:
        """New whole lines without their ends; [] when there are none or none can be had (``trouble`` says why)."""
        self.behind = False
        try:
            with open_inside(self._path) as file:
                if os.fstat(file.fileno()).st_size < self._read:
                    self._read, self.restarted = 0, self.restarted + 1
                file.seek(self._read)
                new = file.read(PIECE_BYTES)
        except FileNotFoundError:
            self.trouble = f"{self._path.name}: is not there"
            return []
        except OSError as error:
            self.trouble = f"{self._path.name}: cannot be read ({error.strerror or error})"
            return []
        except UserError as error:
            self.trouble = str(error)
            return []
        self.trouble = ""
        whole = new[: new.rfind(b"\n") + 1]
        if not whole and len(new) > LINE_MOST_BYTES:
            self.trouble = f"{self._path.name}: no line end in {len(new)} bytes: not a file of ours"
        self._read += len(whole)
        self.behind = bool(whole) and len(new) == PIECE_BYTES
        return whole.split(b"\n")[:-1]


class Trace:
    """Time, volts, amps, charge and temperature of a run, thinned as it grows; the last point is always there."""

    def __init__(self, most: int = POINTS_MOST) -> None:
        self._most, self._every, self._count = most, 1, 0
        self._points: list[tuple[float, float, float, float, float]] = []
        self._last: tuple[float, float, float, float, float] | None = None

    def push(self, one: Sample) -> None:
        """Take one sample."""
        self._last = (one.elapsed_s, one.pack_volts, one.pack_amps, one.charge_ah, one.pack_temp_c)
        if self._count % self._every == 0:
            self._points.append(self._last)
        self._count += 1
        if len(self._points) > self._most:
            del self._points[1::2]
            self._every *= 2

    @property
    def points(self) -> list[tuple[float, float, float, float, float]]:
        """(s, V, A, Ah, degC) in order; nan where something was missing."""
        behind = self._last is not None and self._points[-1:] != [self._last]
        return [*self._points, self._last] if behind and self._last is not None else list(self._points)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look gave. ``outcome`` as ``RunFolder.outcome``; ``trouble``: what could not be read, in words."""

    outcome: str
    live: Live | None
    last: Sample | None
    rows: int
    events: tuple[dict[str, object], ...]
    trouble: tuple[str, ...]
    behind: bool = False
    """Whether a long record was not read to its end yet: look again at once."""
    happened: int = 0
    """Events so far; the last of them are in ``events``."""
    simulated: bool = False
    grown: tuple[int, ...] = ()
    """Sizes of the files that grow with every turn: as long as they change the run goes on."""
    written_s: float = math.nan
    """When the last of them was written to, s of the machine's calendar (POSIX); nan where that is not known."""
    result: Result | None = None
    guard: GuardsWord | None = None
    """What the guard of a run that is over did, where it had to act."""

    @property
    def is_on(self) -> bool:
        """Whether the run is on."""
        return self.outcome == RUNNING


@dataclass
class Follower:
    """Follows one run."""

    folder: RunFolder
    trace: Trace = field(default_factory=Trace)

    def __post_init__(self) -> None:
        self._samples, self._events = Growing(self.folder.samples_csv), Growing(self.folder.events_jsonl)
        self._decode = msgspec.json.Decoder(dict[str, object])
        self._simulated = False
        self._begin()

    def _begin(self) -> None:
        self._names: tuple[str, ...] = ()
        self._happened: list[dict[str, object]] = []
        self._last: Sample | None = None
        self._rows = self._count = self._bad_rows = self._bad_events = 0

    def look(self) -> Seen:
        """Read what is new. Never raises."""
        outcome = self._outcome()
        before = self._samples.restarted
        lines = self._samples.lines()
        if self._samples.restarted != before:
            self.trace = Trace()
            self._begin()
        for line in lines:
            self._row(line)
        for line in self._events.lines():
            self._event(line)
        on = outcome == RUNNING
        result = None if on else self._result()
        grown, written_s = self._growth()
        return Seen(
            outcome=outcome,
            live=read_live(self.folder) if on else None,
            last=self._last,
            rows=self._rows,
            events=tuple(self._happened),
            trouble=self._trouble(),
            behind=self._samples.behind or self._events.behind,
            happened=self._count,
            simulated=self._simulated or (result is not None and result.simulated),
            grown=grown,
            written_s=written_s,
            result=result,
            guard=None if on else guards_word(self.folder),
        )

    def _outcome(self) -> str:
        try:
            return self.folder.outcome()
        except (OSError, ValueError, UserError) as error:
            return f"unknown ({error})"

    def _growth(self) -> tuple[tuple[int, ...], float]:
        found = []
        for place in (self.folder.samples_csv, self.folder.events_jsonl, self.folder.wire_jsonl):
            with suppress(OSError):
                found.append(place.stat())
        return tuple(one.st_size for one in found), max((one.st_mtime for one in found), default=math.nan)

    def _result(self) -> Result | None:
        try:
            return load_result(self.folder)
        except UserError:
            return None

    def _row(self, line: bytes) -> None:
        if not self._names:
            self._names = tuple(line.decode("utf-8", "replace").removeprefix("\ufeff").rstrip("\r").split(","))
            return
        sample = sample_of(line, self._names)
        if sample is None:
            self._bad_rows += 1
            return
        self._rows += 1
        self._last = sample
        self.trace.push(sample)

    def _event(self, line: bytes) -> None:
        try:
            event = self._decode.decode(line)
        except BAD_JSON:
            self._bad_events += 1
            return
        if "recording" in event:  # the first line, before there is anything else
            self._simulated = event.get("simulated") is True
        elif "kind" in event:
            self._happened.append(event)
            self._count += 1
            del self._happened[:-EVENTS_KEPT]

    def _trouble(self) -> tuple[str, ...]:
        counted = ((self._bad_rows, "rows of samples.csv"), (self._bad_events, "lines of events.jsonl"))
        found = [f"{number} {what} damaged, left out" for number, what in counted if number]
        return tuple(word for word in (*found, self._samples.trouble, self._events.trouble) if word)
