"""A record of form 1, made before there was a tape: its times are those of its exchanges and samples, and what came by
itself is known by its events.

What the computer did (it slept, its disk was slow, its guard was lost) is on no such record: a run that ended for that
comes out otherwise, and the replay says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any, TypeVar

from harness.acknowledging import layers_of
from harness.barriers import Tried, table
from harness.job import Ready
from harness.outside import Outside
from harness.preflight_check import Check
from harness.replay_clock import ReplayClock
from harness.replay_record import AgainstRecord, Alike
from harness.replay_tape import Line, ReplayTape
from harness.sample import Sample
from harness.tape import CLOCK
from harness.unattended import Cleared, facts, why_watched

T = TypeVar("T")

ALIKE = Alike(relative=1e-6, absolute=1e-9)

NEAR_S = 0.04
"""A turn this near to a recorded sample, s, is that sample's."""

Event = dict[str, object]


class Form1Tape(ReplayTape):
    """``rows`` and ``happened`` are what the run has written; ``record`` tells how far the replay has come."""

    record: AgainstRecord

    def __init__(
        self,
        lines: Iterable[Line],
        clock: ReplayClock,
        *,
        rows: Iterator[Sample],
        happened: Iterable[Event],
        ready: Ready,
    ) -> None:
        super().__init__(lines, clock)
        self._ready = ready
        self._samples = rows
        self._row: Sample | None = None
        self._row_number = -1
        self._happened = list(happened)
        self.left_alone = any(one.get("kind") in ("barriers", "rehearsed") for one in self._happened)
        self._coming = {
            kind: [one for one in self._happened if one.get("kind") == kind]
            for kind in ("mark", "present", "stop", "rehearsed", "switched", "guard")
        }
        self._coming["switched"] = [one for one in self._coming["switched"] if one.get("by") == "person"]
        self._turn_begins: tuple[str, bytes] | None = None
        self._judged = False

    def exchange(self, name: str, sent: bytes) -> Any:
        if self._judged:
            self._turn_begins, self._judged = (name, sent), False
        return super().exchange(name, sent)

    # -- what is asked for at its place ----------------------------------------------------------------------------

    def _absent(self, name: str, what: str, absent: Callable[[], T]) -> T:
        found = self._known(what)
        return absent() if found is None else found

    def _known(self, what: str) -> Any:
        checks = [one for one in self._happened if one.get("kind") == "preflight"]
        if what in ("disk", "computer", "awake"):
            of_it = [one for one in checks if one.get("what") == ("computer" if what == "awake" else what)]
            if what == "awake":
                return str(of_it[-1].get("text")) if of_it else None
            told = of_it[:-1] if what == "computer" else of_it
            return tuple(Check(str(one.get("what")), str(one.get("word")), str(one.get("text"))) for one in told)
        if what == "cleared":
            return self._cleared()
        if what.startswith("tried: ") and self._coming["rehearsed"]:
            took_s = self._coming["rehearsed"].pop(0).get("took_s")
            return (math.nan if took_s is None else float(str(took_s))), ""
        if what == "pid of the guard" and self._coming["guard"]:
            return self._coming["guard"][0].get("pid")
        return None

    def _cleared(self) -> Cleared:
        answers = {
            str(one.get("key")): str(one.get("text")).rpartition(": ")[2]
            for one in self._happened
            if one.get("kind") == "acknowledged"
        }
        tried = Tried(pending=False, typed={})
        if self.left_alone:
            tried = Tried(typed=layers_of(answers))
            return Cleared(tried, answers, rows=table(facts(self._ready), tried))
        stays = why_watched(self._ready, tried) if self._coming["present"] else ""
        return Cleared(tried, watched_for=stays)

    # -- what came by itself ---------------------------------------------------------------------------------------

    def came(self, name: str, what: str, look: Callable[[], T], *, nothing: T) -> T:
        found: Any = nothing
        match name, what:
            case (_, "marks"):
                found = tuple(str(one.get("text")) for one in self._now("mark"))
            case (_, "here"):
                found = bool(self._now("present", most=1))
            case (_, "done"):
                found = bool(self._now("switched", most=1))
            case (_, "stop"):
                found = self._stopped()
            case (_, "given up"):
                found = self._ahead() is None
            case (str() as whose, _) if whose == CLOCK:
                found = look()
            case (_, str() as whom) if whom.startswith("no guard for "):
                found = self._no_guard(whom.removeprefix("no guard for "))
        return found  # type: ignore[no-any-return]

    def soon(self, name: str, what: str, look: Callable[[], bool]) -> bool:
        return what == "stop" and self._stop_is_due()

    def _now(self, kind: str, most: int = 1000) -> list[Event]:
        """Events of this kind that were written after as many samples as there are now, each once."""
        found: list[Event] = []
        while self._coming[kind] and len(found) < most and self._coming[kind][0].get("rows") == self.record.rows:
            found.append(self._coming[kind].pop(0))
        return found

    def _stopped(self) -> str:
        if not self._stop_is_due():
            return ""
        return str(self._now("stop")[0].get("text")).removeprefix("stopped by a person (").removesuffix(")")

    def _stop_is_due(self) -> bool:
        """It stands behind its off in the record: it came where the next message is not the first of a turn."""
        stops, ahead = self._coming["stop"], self._ahead()
        if not stops or stops[0].get("rows") != self.record.rows:
            return False
        return ahead is None or self._turn_begins != (ahead.name, getattr(ahead, "sent", b""))

    def _no_guard(self, whom: str) -> str:
        listed = self._coming["guard"][0].get("unreachable") if self._coming["guard"] else ()
        told = (str(one) for one in (listed if isinstance(listed, list) else ()))
        return next((one.partition("): ")[2] for one in told if one.startswith(f"{whom} (")), "")

    # -- times -----------------------------------------------------------------------------------------------------

    def took(self, bench_s: float, machine_s: float) -> float:
        return max(bench_s, machine_s)

    def turn(self, outside: Outside) -> Outside:
        self._judged = True
        if self._row_number < self.record.rows:
            self._row, self._row_number = next(self._samples, None), self.record.rows
        row = self._row
        if row is None or not abs(row.elapsed_s - outside.stamp_s) <= NEAR_S:
            return outside.told()
        return replace(outside.told(), stamp_s=row.elapsed_s, utc=row.utc)
