"""Number types of plan keys: bounds and units in one place. A plan is a frozen record of these.

Bounds here only catch what can never be meant; what pack and bench allow is checked against their files.
"""

from __future__ import annotations

import math
from typing import Annotated

import msgspec
from msgspec import Meta

from harness.errors import PlanRefused

Amps = Annotated[float, Meta(gt=0, le=1000, extra={"unit": "A"})]
Volts = Annotated[float, Meta(gt=0, le=1000, extra={"unit": "V"})]
Watts = Annotated[float, Meta(gt=0, le=20_000, extra={"unit": "W"})]
Seconds = Annotated[float, Meta(ge=0, le=2_000_000, extra={"unit": "s"})]
It = Annotated[float, Meta(ge=0.01, le=10, extra={"unit": "It"})]
"""A rate: 1 It is the current in A that equals the rated charge in Ah, over one hour (IEC 61434, from memory)."""


def settled(value: float | None) -> float:
    """A key that was open and that settling the plan has filled."""
    if value is None:
        raise ValueError("plan: a key is still open; settle the plan before it is run")
    return value


def all_finite(plan: msgspec.Struct) -> None:
    """Raise ``PlanRefused`` for a key that is not a finite number: no comparison further on would be sure to."""
    for name, value in msgspec.structs.asdict(plan).items():
        if isinstance(value, float) and not math.isfinite(value):
            raise PlanRefused(f"plan: {name} = {value:g}: not a finite number; write a number")
