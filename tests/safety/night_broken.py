"""What is broken on the bench from the beginning, without anybody knowing: it shows only when it is needed.

Each is called with the ``Wires`` of a night before anything is said (``arrange`` of ``night.spend``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from night_wires import Wires

from sims.load import LoadPort
from sims.supply import SupplyPort


class _NoLowVoltsStop(LoadPort):
    """Its low-volts stop is taken and read back, and does nothing."""

    __slots__ = ()
    low_volts = property(lambda self: 0.0, lambda self, volts: None)  # type: ignore[assignment]


class _NoOverVoltsStop(SupplyPort):
    """Its over-volts stop is taken and read back, and does nothing."""

    __slots__ = ()
    over_volts = property(lambda self: math.inf, lambda self, volts: None)  # type: ignore[assignment]


_INPUT_ON, _OUTPUT_ON = LoadPort.__dict__["input_on"], SupplyPort.__dict__["output_on"]


def _once(slot: Any) -> property:
    """A switch that stays closed once it has been closed."""
    return property(slot.__get__, lambda port, on: slot.__set__(port, on or slot.__get__(port)))


class _WeldedLoad(LoadPort):
    """Its transistors have fused: told off, it goes on sinking."""

    __slots__ = ()
    input_on = _once(_INPUT_ON)  # type: ignore[assignment]


class _WeldedSupply(SupplyPort):
    __slots__ = ()
    output_on = _once(_OUTPUT_ON)  # type: ignore[assignment]


def no_load_stop(wires: Wires) -> None:
    """The load's own low-volts stop does nothing."""
    wires.bench.world.load.__class__ = _NoLowVoltsStop


def no_supply_stop(wires: Wires) -> None:
    """The supply's own over-volts stop does nothing."""
    wires.bench.world.supply.__class__ = _NoOverVoltsStop


def no_bms(wires: Wires) -> None:
    """The pack's BMS never opens."""
    wires.bench.world.pack.bms = None
    wires.bench.world.changed()


def welded_load(wires: Wires) -> None:
    """Once on, the load cannot be switched off, and no stop of its own acts."""
    wires.bench.world.load.__class__ = _WeldedLoad
    wires.stuck.add("load")


def welded_supply(wires: Wires) -> None:
    """Once on, the supply cannot be switched off, and no stop of its own acts."""
    wires.bench.world.supply.__class__ = _WeldedSupply
    wires.stuck.add("supply")


def welded_mains(wires: Wires) -> None:
    """The contacts of the mains switch weld as soon as they have closed."""
    relay = wires.bench.switches["mains"]
    put = relay._put

    def put_and_weld(on: bool) -> None:
        put(on)
        relay.welded = True

    relay._put = put_and_weld
    wires.stuck.add("mains")


BROKEN: dict[str, Callable[[Wires], None]] = {
    "load's stop dead": no_load_stop,
    "supply's stop dead": no_supply_stop,
    "BMS dead": no_bms,
    "load welded": welded_load,
    "supply welded": welded_supply,
    "mains welded": welded_mains,
}
