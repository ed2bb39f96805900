"""What an interlock is: samples in, ``None`` or a ``Finding`` out; and the two small things they all count with."""

from __future__ import annotations

from abc import ABC, abstractmethod

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
    """Counts how many samples in a row were outside."""

    def __init__(self, needed: int) -> None:
        self.needed = needed
        self.count = 0

    def full(self, inside: bool) -> bool:
        """One sample more; true when enough in a row were outside."""
        self.count = 0 if inside else self.count + 1
        return self.count >= self.needed


def share(left: float, whole: float) -> float | None:
    """``left`` of ``whole`` as a share from 0 to 1; ``None`` when it is not known."""
    if not whole > 0 or left != left:
        return None
    return max(0.0, min(1.0, left / whole))


def said(value: float, unit: str, *, digits: int = 3) -> str:
    """A value in a finding's text; one that is missing is called missing."""
    return f"no {unit}" if value != value else f"{value:.{digits}f} {unit}"
