"""Interlocks on what stands around a run: the guard process, the record, and whoever must stay with it."""

from __future__ import annotations

from harness.findings import Facts, Finding, Watch
from harness.interlock import Interlock, said
from harness.presence import MOST_S as NOBODY_MOST_S
from harness.sample import Sample

GUARD_SILENT_S = 3.0

RECORD_AGE_S = 5.0
"""Oldest row that may not be on the disk yet, s of machine time."""


class GuardLost(Interlock):
    """The guard has not answered for more than 3 s, or cannot reach an instrument any more: nobody would switch off."""

    words = "guard lost"

    def __init__(self, facts: Facts) -> None:
        pass

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if not (watch.guard_silent_s <= GUARD_SILENT_S):
            text = f"no answer for {said(watch.guard_silent_s, 's', digits=1)}, limit {GUARD_SILENT_S:g} s"
            if watch.guard_silent_s == float("inf"):
                text = "its process is gone"
            return Finding(self.words, text)
        if watch.guard_astray:
            return Finding(self.words, watch.guard_astray)
        return None


class RecordBehind(Interlock):
    """What was written is not on the disk after 5 s, or the disk is nearly full."""

    words = "record behind"

    def __init__(self, facts: Facts) -> None:
        self._least_bytes = facts.disk_least_bytes

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if not (watch.record_age_s <= RECORD_AGE_S):
            age = said(watch.record_age_s, "s", digits=1)
            text = f"the disk has not taken anything for {age}, limit {RECORD_AGE_S:g} s"
            return Finding(self.words, text, exit_code=25)
        if not (watch.disk_free_bytes >= self._least_bytes):
            left = said(watch.disk_free_bytes / 1e6, "MB", digits=0)
            text = f"{left} left on the disk, limit {self._least_bytes / 1e6:.0f} MB"
            return Finding(self.words, text, exit_code=25)
        return None


class NobodyThere(Interlock):
    """Nobody has pressed a key for ten minutes, in a run that somebody must stay with."""

    words = "nobody there"

    def __init__(self, facts: Facts) -> None:
        pass

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if not (watch.unwatched_s <= NOBODY_MOST_S):
            silent = said(watch.unwatched_s, "s", digits=1)
            text = f"no Enter at the terminal for {silent}, limit {NOBODY_MOST_S:g} s"
            return Finding(self.words, f"{text}{f'; {watch.watched_for}' if watch.watched_for else ''}")
        return None
