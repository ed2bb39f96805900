"""What an interlock is: samples in, ``None`` or a ``Finding`` out; and the two small things they all count with."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque

from harness.findings import Finding, Watch
from harness.sample import Sample


class Interlock(ABC):
    """One interlock. ``words`` is what people see."""

    words: str

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


def share(left: float, whole: float) -> float | None:
    """``left`` of ``whole`` as a share from 0 to 1; ``None`` when it is not known."""
    if not whole > 0 or left != left:
        return None
    return max(0.0, min(1.0, left / whole))


def said(value: float, unit: str, *, digits: int = 3) -> str:
    """A value in a finding's text; one that is missing is called missing."""
    return f"no {unit}" if value != value else f"{value:.{digits}f} {unit}"
