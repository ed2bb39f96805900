"""Set-points, limits and outputs read back in rotation, so that a knob, a second user or a restart is noticed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.load import Load
from drivers.supply import Supply
from harness.rig import READ_ERRORS, Rig

EVERY_S = 5.0
"""Within this time every setting has been read back once."""

HALF_STEP = 1e-3
"""Two numbers this close are one set-point: read-backs carry the instrument's grid, no error."""


@dataclass(frozen=True, slots=True)
class _Kept:
    instrument: str
    key: str
    ask: Callable[[], object]
    value: object


@dataclass(slots=True)
class StateKeeper:
    """What the instruments held when ``remember`` was called, and whether they still do."""

    rig: Rig
    kept: list[_Kept] = field(default_factory=list)
    next: int = 0
    errors: list[str] = field(default_factory=list)

    def forget(self) -> None:
        """Settings are about to be changed by the run itself."""
        self.kept, self.next = [], 0

    def remember(self) -> None:
        """Take what the instruments hold now as what they must go on holding. Raises what the drivers raise."""
        self.forget()
        for name, driver in self.rig.drivers.items():
            if isinstance(driver, Supply | Load):
                self.kept.extend(_Kept(name, key, ask, ask()) for key, ask in driver.state_queries())

    def check(self, *, period_s: float) -> str | None:
        """Read the next few back, each doubtful one twice; words when one has changed, else ``None``."""
        for _ in range(math.ceil(len(self.kept) * period_s / EVERY_S)):
            one = self.kept[self.next]
            self.next = (self.next + 1) % len(self.kept)
            try:
                if _same(one.ask(), one.value) or _same(found := one.ask(), one.value):
                    continue
            except READ_ERRORS as error:
                self.errors.append(str(error))
                continue
            return f"{one.instrument}: {one.key} was {_word(one.value)}, is {_word(found)}; not by this run"
        return None

    def check_all(self) -> str | None:
        """Read everything back once, for a verdict that rests on the settings."""
        return self.check(period_s=EVERY_S) if self.kept else None


def _same(found: object, kept: object) -> bool:
    if isinstance(found, float) and isinstance(kept, float):
        return abs(found - kept) <= HALF_STEP
    return found == kept


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:g}" if isinstance(value, float) else str(value)
