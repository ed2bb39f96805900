"""What the record of a run that died still gives: the same folds over it, and bounds where more may have followed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from harness.history import Stretch
from harness.procedure import Remains
from harness.result import Figure

DIED = "the run did not end normally"


def last_of(remains: Remains, phase: str) -> Stretch | None:
    """The last energised stretch of a phase, None where there is none."""
    found = [one for one in remains.history.stretches() if one.phase == phase]
    return found[-1] if found else None


def at_least(made: Mapping[str, Figure], names: Iterable[str]) -> dict[str, Figure]:
    """Of figures counted up to a cut those that can only have grown after it."""
    words = "up to the last sample before the run died; what followed was not seen"
    return {
        name: msgspec.structs.replace(made[name], bound="at least", basis=f"{made[name].basis}; {words}")
        for name in names
        if name in made
    }
