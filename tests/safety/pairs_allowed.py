"""Pairs of faults that this program cannot hold, each with its reason: after them the bench is left to what is left.

Such a night is judged like every other up to its end: within bounds so far, everything off that can be switched off,
exit 99, and somebody told. Only the hours after it are not: nothing is there any more that would end what is on. The
list may only shrink; a pair is on it because both the wire to what carries the current and its own stop are dead.
"""

from __future__ import annotations

from dataclasses import dataclass

from night_wires import Wires


@dataclass(frozen=True, slots=True)
class Allowed:
    """Instrument that stays on, out of reach, what is broken beside it, and why nothing is left."""

    stays_on: str
    broken: str
    why: str


ALLOWED = (
    Allowed("load", "load's stop dead", "the BMS alone ends a discharge that nobody can switch off"),
    Allowed("load", "load welded", "no stop of its own opens fused transistors: the BMS alone ends it"),
    Allowed("load", "BMS dead", "the load's own stop sees the pack's volts: one weak cell may go under its floor"),
    Allowed("load", "load restarted", "its stop went to its default as it came back on out of reach: the BMS ends it"),
    Allowed("supply", "supply restarted", "its stop went to its default as it came back on out of reach"),
    Allowed("supply", "supply's stop dead", "what it is set to is what the pack comes to, and nothing checks that"),
    Allowed("supply", "supply welded", "no stop of its own opens it: set volts and BMS are what is left"),
)


def allowed(wires: Wires, broken: str) -> str:
    """Why what is left on after this night is not judged; "" when it is."""
    lost = wires.deaf | wires.gone | wires.strange  # who only does not answer still obeys
    dead = {broken, *(f"{name} restarted" for name in wires.came_on)}
    return next((one.why for one in ALLOWED if one.broken in dead and one.stays_on in lost), "")
