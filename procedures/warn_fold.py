"""Where in a staircase a UPS gave its warning, or its output became abnormal: by a contact, by a mark, or never."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from procedures.floor_fold import Bracket
from procedures.stand_in import REACTION_S, Level, UpsRow


@dataclass(slots=True)
class WarnFold:
    """The first time ``word`` was seen: within (``after_s``, ``by_s``]. ``how``: "contact", "mark" or "".

    A mark is a person's and comes up to ``REACTION_S`` late; a contact was open in the sample before.
    """

    word: str = "warning"
    how: str = ""
    after_s: float = math.nan
    by_s: float = math.nan
    from_start: bool = False
    _last_s: float = math.nan

    def push(self, row: UpsRow) -> None:
        """One row."""
        if not self.how and row.warning is True and self.word == "warning":
            self.how, self.by_s = "contact", row.t_s
            self.from_start = math.isnan(self._last_s)
            self.after_s = row.t_s if self.from_start else self._last_s
        elif not self.how and row.marked(self.word):
            self.how, self.by_s, self.after_s = "mark", row.t_s, row.t_s - REACTION_S
        self._last_s = row.t_s

    def bracket(self, levels: Sequence[Level]) -> Bracket | None:
        """Between the last of ``levels`` (in order of time) that surely was without and the lowest that may be the one;
        None when it was never seen, or not after a level without it."""
        if not self.how or self.from_start:
            return None
        before = [one for one in levels if one.end_s <= self.after_s and one.volts]
        during = [one for one in levels if one.began_s < self.by_s and not one.end_s <= self.after_s and one.volts]
        if not before or not during:
            return None
        return Bracket(before[-1].mean_v, min(one.mean_v for one in during))


SURE_S = 3.0
"""An abnormal output follows the volts at once: a level held this long without was a good one (judgement)."""


def highest_good(levels: Sequence[Level], abnormal: WarnFold) -> Level | None:
    """The highest of ``levels`` with nothing abnormal: below every level at which a mark of it may have been meant."""
    bad = [one for one in levels if abnormal.how and _may_be_meant(one, abnormal)]
    least_bad = min((one.set_v for one in bad), default=math.inf)
    good = [one for one in levels if one.set_v < least_bad and one.volts]
    return max(good, key=lambda one: one.set_v, default=None)


def _may_be_meant(level: Level, abnormal: WarnFold) -> bool:
    return level.began_s < abnormal.by_s and not abnormal.after_s >= min(level.end_s, level.began_s + SURE_S)
