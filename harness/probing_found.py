"""What a probe has found so far, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field

from drivers.raw_line import Heard
from drivers.scpi import InstrumentError
from harness.probing_fit import Fit, same_questions
from harness.probing_line import LineManners


@dataclass(frozen=True, slots=True)
class Range:
    """What a set-point's own answers tell: ends of its range, and decimals written."""

    least: float | None = None
    most: float | None = None
    decimals: int | None = None


@dataclass(slots=True)
class Probe:
    """Everything that was found. ``against`` says in words why no dialect fits; empty when ``best`` does."""

    address: str
    manners: LineManners = field(default_factory=LineManners)
    identity: str = ""
    errors_ask: str = ""
    old_errors: tuple[InstrumentError, ...] = ()
    decimal_comma: bool = False
    fits: list[Fit] = field(default_factory=list)
    """Every dialect, the best first."""
    remote_ask: str = ""
    """A question that tells whether the wire or the local key has it; "" when none was understood."""
    ranges: dict[str, Range] = field(default_factory=dict)
    against: list[str] = field(default_factory=list)
    heard: list[Heard] = field(default_factory=list)

    @property
    def best(self) -> Fit | None:
        """The dialect that comes nearest; ``None`` when none was understood at all."""
        return self.fits[0] if self.fits and self.fits[0].answered else None

    @property
    def found(self) -> bool:
        """One dialect fits, and nothing speaks against it."""
        return self.best is not None and self.best.fits and not self.against

    @property
    def like(self) -> list[str]:
        """Other dialects that no question tells apart from the best."""
        best = self.best
        return [] if best is None else [one.dialect.name for one in self.fits[1:] if same_questions(best, one)]
