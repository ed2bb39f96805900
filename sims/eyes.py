"""What a person beside the simulated bench reads off things when asked: labels, the fuse, the place where all stands.

Each answer is taken from the bench as it is, not from the files that were written for it. Questions are fixed words;
whatever else is asked is answered with nothing.

Not modelled: mistakes, and a person who does not know.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sims.bms import BmsSpec
from sims.scenario import Scenario

PLACE = "in the middle of the case, under tape and foam"


def _cells(facts: Scenario) -> str:
    return str(facts.pack.label_cells_in_series or facts.pack.cells_in_series)


def _thermometer(facts: Scenario) -> str:
    return PLACE if facts.thermometer.measures == "pack" else "on the wall of the room"


SEEN: Mapping[str, Callable[[Scenario], str]] = {
    "chemistry": lambda facts: facts.pack.chemistry,
    "cells": _cells,
    "ah": lambda facts: f"{facts.pack.rated_ah:g}",
    "bms": lambda facts: f"{facts.pack.bms.cell_low_volts:g}",
    "bms_temp": lambda facts: f"{BmsSpec().discharge_hot_c:g}",
    "fuse": lambda facts: f"{facts.fuse_amps:g}" if facts.fuse_amps else "no fuse",
    "joints": lambda facts: "ring lugs, torque wrench, 3 Nm (simulated)",
    "thermometer": _thermometer,
    "tray": lambda facts: "steel tray (simulated)",
    "clear": lambda facts: "120",
    "detector": lambda facts: "above the bench, tested (simulated)",
    "parted": lambda facts: "plug between pack and bench, pulled and put back (simulated)",
    "reachable": lambda facts: "whoever started the simulation, extension 100",
    "room": lambda facts: f"{facts.ambient_c:g}",
    "air": lambda facts: "window ajar (simulated)",
}
"""Question -> what is read off."""


def read_off(facts: Scenario, question: str) -> str:
    """The answer; "" to a question nobody knows."""
    answer = SEEN.get(question)
    return "" if answer is None else answer(facts)
