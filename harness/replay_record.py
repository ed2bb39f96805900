"""What a replayed run would write, held against what the run has written: samples, events, result. Writes nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import PurePath
from typing import Any

import msgspec

from harness.folder import RunFolder
from harness.plain import safe_text
from harness.recorder import RecordFailed, plain_json
from harness.replay_clock import ReplayClock
from harness.replay_tape import ReplayTape
from harness.result import BenchUsed, Figure, Result
from harness.sample import Sample

STAMPS = ("elapsed_s", "utc")
"""Of an event: its time is exact where bench time follows from waits and exchanges alone, the calendar's never is."""

OF_THE_DAY = frozenset({"ended", "software", "schema"})
"""Of a result what says when and by which version it was made."""

SHOWN = 100
"""Characters of a value in a difference."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The first place at which the two differ: ``what`` it is (sample, event, figure, result) and where, what the
    replay has and what the record has; "" for nothing. ``why``: what the replay was about to end for, if it was."""

    what: str
    where: str
    replay: str
    record: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Alike:
    """How alike numbers must be: a record without a tape knows its times by its exchanges only."""

    relative: float = 0.0
    absolute: float = 0.0

    def same(self, found: Any, kept: Any) -> bool:
        """Whether two plain values are the same; nan is like nan."""
        if isinstance(found, float) and isinstance(kept, float | int) and not isinstance(kept, bool):
            if found == kept or (math.isnan(found) and math.isnan(kept)):
                return True
            return abs(found - kept) <= self.absolute + self.relative * abs(kept)
        if isinstance(found, Mapping) and isinstance(kept, Mapping):
            return found.keys() == kept.keys() and all(self.same(found[key], kept[key]) for key in found)
        if isinstance(found, list | tuple) and isinstance(kept, list | tuple):
            return len(found) == len(kept) and all(map(self.same, found, kept))
        return bool(found == kept)


EXACTLY = Alike()


class AgainstRecord:
    """Takes the place of the recorder. ``rows`` and ``happened`` are what the run has written."""

    exchanges_dropped = 0

    def __init__(
        self,
        tape: ReplayTape,
        clock: ReplayClock,
        *,
        rows: Iterable[Sample],
        happened: Iterable[dict[str, object]],
        alike: Alike = EXACTLY,
        whole: bool = True,
    ) -> None:
        self._tape, self._clock, self._alike, self._whole = tape, clock, alike, whole
        self._rows, self._happened = iter(rows), iter(happened)
        self._exact = clock.exact and alike == EXACTLY
        self.rows, self.events = 0, 0
        self.first_sample: Difference | None = None
        self.first_event: Difference | None = None
        self.last_s = math.nan
        """Time of the last sample, s."""

    def begun(self, folder: RunFolder, **_more: object) -> AgainstRecord:
        """The record begins here."""
        self._clock.begins()
        return self

    # -- what a recorder is asked for ------------------------------------------------------------------------------

    def sample(self, sample: Sample) -> None:
        if self._tape.over:
            return
        self.rows += 1
        self.last_s = sample.elapsed_s
        kept = next(self._rows, None)
        if self.first_sample is None and (kept is not None or self._whole):
            self.first_sample = self._unlike(sample, kept)

    def event(self, kind: str, *, sync: bool = False, **more: object) -> None:
        if self._tape.over:
            return
        self.events += 1
        now = {
            "elapsed_s": round(self._clock.now() - self._clock.zero_s, 6),
            "kind": kind,
            "rows": self.rows,
            **more,
        }
        found = msgspec.json.decode(msgspec.json.encode(now, enc_hook=plain_json))
        kept = next(self._happened, None)
        if self.first_event is None and (kept is not None or self._whole):
            self.first_event = self._unlike_event(found, kept)

    def exchange(self, exchange: object) -> None:
        """The tape has held it against the record already."""

    def state(self) -> tuple[float, float]:
        return 0.0, math.inf

    def sync(self) -> None: ...

    def make_room(self) -> None: ...

    def close(self) -> RecordFailed | None:
        self._tape.closed = True
        return None

    # -- the differences -------------------------------------------------------------------------------------------

    def _unlike(self, sample: Sample, kept: Sample | None) -> Difference | None:
        where = f"sample {self.rows}, {sample.elapsed_s:.3f} s after the start"
        if kept is None:
            return Difference("sample", where, "there is one", "")
        for one in fields(Sample):
            if one.name == "marks":
                continue
            found, was = getattr(sample, one.name), getattr(kept, one.name)
            if one.name == "readings":
                unlike = (key for key in was if not self._alike.same(found.get(key, math.nan), was[key]))
                if key := next(unlike, ""):
                    return Difference("sample", f"{where}, {key}", _word(found.get(key)), _word(was[key]))
            elif not self._alike.same(found, was) and not (one.name == "utc" and self._alike != EXACTLY):
                return Difference("sample", f"{where}, {one.name}", _word(found), _word(was))
        return None

    def _unlike_event(self, found: dict[str, Any], kept: dict[str, object] | None) -> Difference | None:
        where = f"event {self.events}, after {self.rows} samples"
        if kept is None:
            return Difference("event", where, _event_words(found), "")
        if found.get("kind") != kept.get("kind") or found.get("rows") != kept.get("rows"):
            return Difference("event", where, _event_words(found), _event_words(kept))
        for key in {**found, **kept}:
            if key == "utc" or (key in STAMPS and not self._exact):
                continue
            if not self._alike.same(found.get(key), kept.get(key)):
                shown = f"{where} ({kept.get('kind')}), {key}"
                return Difference("event", shown, _word(found.get(key)), _word(kept.get(key)))
        unlike = self._tape.calendar.unlike(kept) if self._alike == EXACTLY else None
        return None if unlike is None else Difference("event", f"{where} ({kept.get('kind')}), utc", *unlike)

    def left(self) -> Difference | None:
        """What the record still holds behind the end of the replay; looked at where the run came to its end."""
        if (row := next(self._rows, None)) is not None:
            return Difference("sample", f"sample {self.rows + 1}", "", f"there is one, at {row.elapsed_s:.3f} s")
        if (event := next(self._happened, None)) is not None:
            return Difference("event", f"event {self.events + 1}", "", _event_words(event))
        return None


def unlike_results(
    found: Result, kept: Result, alike: Alike = EXACTLY, *, but: frozenset[str] = OF_THE_DAY
) -> Iterator[Difference]:
    """Everything in which two results differ, figures first, ``but`` for these fields."""
    for name in sorted({*found.figures, *kept.figures}):
        now, was = found.figures.get(name), kept.figures.get(name)
        if not (alike.same(_plain(now), _plain(was)) or _close(now, was, alike)):
            yield Difference("figure", name, _figure_words(now), _figure_words(was))
    for one in found.__struct_fields__:
        if one in but or one == "figures":
            continue
        now, was = (_plain(_apart_from_its_place(getattr(result, one))) for result in (found, kept))
        if not alike.same(now, was):
            yield Difference("result", one, *_where_unlike(now, was, alike))


def _close(now: Figure | None, was: Figure | None, alike: Alike) -> bool:
    """Of a record without a tape: within a thousandth of the figure's own uncertainty."""
    if alike == EXACTLY or now is None or was is None or was.expanded_uncertainty is None:
        return False
    return abs(float(now.value) - float(was.value)) <= 1e-3 * was.expanded_uncertainty


def _where_unlike(now: Any, was: Any, alike: Alike) -> tuple[str, str]:
    if isinstance(now, dict) and isinstance(was, dict):
        keys = (key for key in {**now, **was} if not alike.same(now.get(key), was.get(key)))
        key = next(keys, "")
        return f"{key}: {_word(now.get(key))}", f"{key}: {_word(was.get(key))}"
    return _word(now), _word(was)


def _apart_from_its_place(value: object) -> object:
    """A dialect file stands beside the bench file that was used, and beside its copy."""
    if not isinstance(value, BenchUsed):
        return value
    bare = (msgspec.structs.replace(one, dialect=PurePath(one.dialect).name) for one in value.instruments)
    return msgspec.structs.replace(value, instruments=tuple(bare))


def _plain(value: object) -> Any:
    return msgspec.to_builtins(value)


def _figure_words(figure: Figure | None) -> str:
    if figure is None:
        return ""
    spread = "" if figure.expanded_uncertainty is None else f" +/- {figure.expanded_uncertainty!r}"
    return f"{figure.bound + ' ' if figure.bound else ''}{figure.value!r}{spread} {figure.unit}".strip()


def _event_words(event: Mapping[str, object]) -> str:
    more = " ".join(f"{key}={value}" for key, value in event.items() if key not in (*STAMPS, "kind", "rows"))
    return _word(f"{event.get('kind')} {more}".strip())


def _word(value: object) -> str:
    text = safe_text(value if isinstance(value, str) else repr(value))
    return text if len(text) <= SHOWN else text[: SHOWN - 3] + "..."
