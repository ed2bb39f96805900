"""Number types of plan keys: bounds and units in one place. A plan is a frozen record of these.

Bounds here only catch what can never be meant; what pack and bench allow is checked against their files.
"""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

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
