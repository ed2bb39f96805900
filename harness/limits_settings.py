"""Which limits a person may change in the pack file, between what bounds, and which way is the careful one.

A hard limit may only be made tighter. An adjustable one may be loosened inside its bounds by whoever says why. Neither
is ever changed by an option. The usual values are common practice of the trade or judgement (no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


class Levels(Protocol):
    """What usual values are taken from: levels of the pack in V, warmest unattended in degC."""

    @property
    def lithium(self) -> bool: ...

    @property
    def low_v(self) -> float: ...

    @property
    def high_v(self) -> float: ...

    @property
    def unattended_temp_max_c(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Setting:
    """A limit a person may change. ``low`` and ``high`` bound what is accepted, in ``unit``; ``careful`` is the tighter
    side, "lower" or "higher"; ``hard``: never looser than usual."""

    key: str
    what: str
    unit: str
    usual: Callable[[Levels], float]
    low: float
    high: float
    careful: str = "lower"
    hard: bool = False

    def loosens(self, value: float, usual: float) -> bool:
        """Whether ``value`` is less careful than ``usual``; a value that is not a number is."""
        return not (value <= usual if self.careful == "lower" else value >= usual)


@dataclass(frozen=True, slots=True)
class Changed:
    """A limit as a person changed it, beside its usual value, and why where it was loosened."""

    key: str
    value: float
    usual: float
    unit: str
    reason: str = ""


def _fixed(value: float) -> Callable[[Levels], float]:
    return lambda _levels: value


_ALL = (
    Setting("low_volts", "low volts", "V", lambda of: of.low_v, 0.5, 1000.0, careful="higher", hard=True),
    Setting("high_volts", "high volts", "V", lambda of: of.high_v, 0.5, 1000.0, hard=True),
    Setting("unattended_temp_max_c", "warmest unattended", "degC", lambda of: of.unattended_temp_max_c, 25.0, 90.0,
            hard=True),
    Setting("heating_k_per_min", "rise of temperature", "K/min", _fixed(3.0), 0.2, 3.0, hard=True),
    Setting("heating_margin_k", "rise over what the current explains", "K in 180 s", _fixed(1.5), 0.5, 7.5),
    Setting("rise_above_room_k", "rise above the room", "K", _fixed(20.0), 10.0, 30.0),
    Setting("thermometers_apart_k", "two thermometers on the pack apart", "K", _fixed(10.0), 2.0, 20.0),
    Setting("joint_watts", "heat in a joint or lead", "W", _fixed(2.0), 0.2, 2.0, hard=True),
    Setting("lead_ratio", "lead resistance over what it was", "", _fixed(2.0), 1.3, 2.0, hard=True),
    Setting("charge_out_share", "charge out over the rating", "", _fixed(1.2), 1.0, 1.5),
    Setting("charge_in_share", "charge in over the rating", "", lambda of: 1.15 if of.lithium else 1.3, 1.0, 1.5),
    Setting("tail_longest_s", "constant-volts part of a charge", "s",
            lambda of: (4.0 if of.lithium else 12.0) * 3600.0, 600.0, 24 * 3600.0),
    Setting("tail_rise_pct", "rise of the current at constant volts", "%", _fixed(20.0), 5.0, 50.0),
    Setting("set_apart_pct", "set against measured", "%", _fixed(3.0), 1.0, 10.0),
    Setting("frozen_s", "longest without any change of a lively reading", "s", _fixed(60.0), 20.0, 300.0),
    Setting("voltmeters_apart_mv", "voltmeters apart, beside what their accuracy allows", "mV", _fixed(20.0), 5.0,
            200.0),
)  # fmt: skip

SETTINGS: dict[str, Setting] = {one.key: one for one in _ALL}
"""Every limit a person may change, by its key in ``[limits]``."""

REASON = "_reason"
"""Ends the key that says why."""

IN_THE_ENVELOPE = {"low_volts": "low_v", "high_volts": "high_v", "unattended_temp_max_c": "unattended_temp_max_c"}
"""Limits a person may change that are levels of the envelope itself."""


@dataclass(frozen=True, slots=True)
class Usual:
    """Levels before a person changed any: V at the pack, degC."""

    lithium: bool
    low_v: float
    high_v: float
    unattended_temp_max_c: float
