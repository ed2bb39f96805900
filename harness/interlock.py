"""What an interlock is: samples in, ``None`` or a ``Finding`` out; and the small things they all count with."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable
from statistics import median

from harness.findings import Finding, Watch
from harness.limits_settings import Setting
from harness.sample import Sample


class Interlock(ABC):
    """One interlock. ``words`` is what people see.

    ``settable``: what a person may change of it. ``goes_on``: what it has counted still counts in the next phase, since
    heat does not end with a current. ``warning``: words for the record that end nothing, "" when there are none.
    """

    words: str
    settable: tuple[Setting, ...] = ()
    goes_on: bool = False
    warning: str = ""

    @abstractmethod
    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        """``None`` while all is well."""

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        """Share of the way still left to the limit, 1 far, 0 at it; ``None`` where it has no meaning."""
        return None


class Filter:
    """Counts how many samples in a row were outside; with ``often``, also how many of the last hundred."""

    def __init__(self, needed: int, *, often: int | None = None) -> None:
        self.needed = needed
        self.often = often
        self.count = 0
        self._last_100: deque[bool] = deque(maxlen=100)

    def full(self, inside: bool) -> bool:
        """One sample more; true when enough in a row were outside, or too many of the last hundred."""
        self.count = 0 if inside else self.count + 1
        if self.often is not None:
            # A reading that flaps resets every count in a row and is wrong half of the time.
            self._last_100.append(not inside)
            if sum(self._last_100) >= self.often:
                return True
        return self.count >= self.needed


class Lasting:
    """Times how long everything has been outside without a break. A time that is not a number never counts as short."""

    def __init__(self, needed_s: float) -> None:
        self.needed_s = needed_s
        self._since_s = math.nan

    def full(self, inside: bool, now_s: float) -> bool:
        """One sample more at ``now_s``; true when all since ``needed_s`` were outside."""
        if inside:
            self._since_s = math.nan
            return False
        if math.isnan(self._since_s):
            self._since_s = now_s
        return not (now_s - self._since_s < self.needed_s)


def middle(values: Iterable[float]) -> float:
    """Median of what is known; nan of nothing."""
    known = [value for value in values if value == value]
    return median(known) if known else math.nan


def share(left: float, whole: float) -> float | None:
    """``left`` of ``whole`` as a share from 0 to 1; ``None`` when it is not known."""
    if not whole > 0 or left != left:
        return None
    return max(0.0, min(1.0, left / whole))


def said(value: float, unit: str, *, digits: int = 3) -> str:
    """A value in a finding's text; one that is missing is called missing."""
    return f"no {unit}" if value != value else f"{value:.{digits}f} {unit}"
