"""What is commanded now, and the handle a procedure holds while it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

STATE_WORDS = {
    "rest": "resting",
    "source": "sourcing",
    "sink": "sinking",
    "stand-in": "standing in",
    "trace": "tracing",
}
"""Phase -> the word in the record's state column. ``stand-in``: the supply in place of a UPS's battery; ``trace``: the
load in place of it, to be charged."""

ACTIVE = {"source": "supply", "sink": "load", "stand-in": "supply", "trace": "load"}
"""Phase -> role of the instrument that is energised."""


@dataclass(slots=True)
class Block:
    """The phase, its set-points (A, V), when it began (s) and what it has moved (Ah, positive).

    ``step_ohm`` is the pack's drop over the current at the first sample after switch-on, for proving off later.
    ``function`` is what the load of a trace holds, "cv" or "cc"; ``helped``: the supply is on beside it.
    """

    phase: str = "rest"
    set_amps: float = 0.0
    set_volts: float = 0.0
    longest_s: float = math.inf
    began_s: float = 0.0
    charge_ah: float = 0.0
    volts_before_on: float = math.nan
    step_ohm: float = math.nan
    function: str = "cc"
    amps_most: float = math.nan
    """What a trace at constant volts may come to, A."""
    helped: bool = False
    helped_amps: float = math.nan
    """Limit of the supply beside a tracing load, A."""
    cv_s: float = 0.0
    """How long a charge has been at constant volts, s."""
    joint_first: list[float] = field(default_factory=list)
    """Resistance of the leads as first seen in this block, ohm, a few readings."""
    reason: str = ""
    """Why the procedure leaves the block, when it has said so."""


class Changes(Protocol):
    """What a handle needs of the bench."""

    def change(self, *, amps: float | None = None, volts: float | None = None) -> None: ...

    def end_help(self) -> None: ...

    def leave_because(self, reason: str) -> None: ...


class NotEnergised(RuntimeError):
    """A block's handle was used after the block was left, or a rest was asked for within one."""


class Output:
    """What ``sourcing``, ``sinking``, ``standing_in`` and ``tracing`` hand out; made by the bench only, dead once its
    block is left."""

    def __init__(self, bench: Changes, on_s: float) -> None:
        self._bench: Changes | None = bench
        self.on_s = on_s
        """When switching on was acknowledged, s, on the scale of ``Sample.elapsed_s``."""

    def _alive(self) -> Changes:
        if self._bench is None:
            raise NotEnergised("this block was left and its output is off; enter a new one")
        return self._bench

    def release(self) -> None:
        """The block is left; the handle is dead from here on."""
        self._bench = None

    def set_amps(self, *, amps: float) -> None:
        """Change the current (A, positive); checked against the envelope, read back. A trace goes over to constant
        current with it."""
        self._alive().change(amps=amps)

    def set_volts(self, *, volts: float) -> None:
        """Change the volts of a block that holds volts (V); checked against the envelope, read back. A trace goes over
        to constant volts with it."""
        self._alive().change(volts=volts)

    def because(self, reason: str) -> None:
        """Why the block is about to be left; it stands in the record, and in the result if off cannot be confirmed."""
        self._alive().leave_because(reason)

    def help_off(self) -> None:
        """The supply beside a tracing load is not needed any more: switch it off."""
        self._alive().end_help()
