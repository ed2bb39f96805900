"""In which order everything is switched off: data. Principle: stop what pushes; a sink goes last, except where the
remaining source is the pack, whose only switch is the sink. Common practice of the trade, no source.
"""

from __future__ import annotations

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.rig import Rig

ORDER: dict[str, tuple[str, ...]] = {
    "sink": ("load", "supply", "contactor"),
    "source": ("supply", "load", "contactor"),
    "rest": ("supply", "load", "mains", "ac-load", "contactor"),
    "stand-in": ("supply", "load", "ac-load", "mains", "contactor"),
    "stand-in, mains on": ("supply", "mains", "load", "ac-load", "contactor"),
    "stand-in, mains on, volts": ("mains", "supply", "load", "ac-load", "contactor"),
    "trace": ("mains", "supply", "load", "ac-load", "contactor"),
    "trace, amps": ("load", "mains", "supply", "ac-load", "contactor"),
    "unknown": ("supply", "load", "mains", "ac-load", "contactor"),
}
"""What was going on -> what is switched off, in order.

A UPS that runs on the supply sees an exhausted battery, which it is made for; its mains stays off. With mains still on,
mains first would hand its inverter's load to the leads, so the supply goes first, unless the volts themselves are what
is wrong: then whoever pushes goes first. A contactor comes last: opened first it would break the whole current, and it
stays closed between two blocks of one run. While the load takes the charger's current it goes last: without it the
charger would drive the node up to its own volts; but not where it takes more than a charger gives: then a battery may
be on the node, whose only switch it is. Where a person switches the mains, the instruments go first.
"""

SINK_LAST_V = 2.0
SINK_LAST_S = 3.0
"""A load that took a charger's current stays on until the node is under this, or so long."""


def outputs(rig: Rig, order: str, *, but_contactor: bool = False) -> list[tuple[str, Supply | Load | PowerSwitch]]:
    """Name and driver of everything that can be switched off, in this order; ``but_contactor`` leaves that out."""
    known: dict[str, tuple[str | None, Supply | Load | PowerSwitch | None]] = {
        "supply": (rig.supply_name, rig.supply),
        "load": (rig.load_name, rig.load),
    }
    for what in ("mains", "ac-load", "contactor"):
        switch = None if what == "contactor" and but_contactor else rig.switch(what)
        known[what] = (switch.name if switch is not None else None, switch)
    return [(name, driver) for role in ORDER[order] for name, driver in [known[role]] if name and driver]
