"""Before a UPS gets its mains for the first time: whatever flows steadily at its battery terminals is not its own.

A UPS without mains that was not started gives nothing and takes next to nothing. A pack asleep behind its BMS looks
like a dead node until the stand-in wakes it; a short or a UPS wired the wrong way round takes all there is; a charger
already on pushes. A UPS that starts by itself takes what its load asks, which the supply's limit is well above.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.block import Block
from harness.findings import Finding
from harness.preflight import ZERO_AMPS_MOST
from harness.rig import Rig
from harness.sample import Sample

LOOK_S = 4.0
"""So long is looked: capacitors are full long before."""

LAST = 3
"""Samples that must all say so."""

LIMIT_SHARE = 0.95
"""From this share of its limit on a supply gives all that it may."""

WORDS = "something else on the node"


def foreign(samples: Sequence[Sample], *, block: Block, rig: Rig) -> Finding | None:
    """What the last samples of a block say that was just begun, mains still away; ``None`` when nothing flows."""
    last = samples[-LAST:]
    sinks = [sample.readings.get(f"{rig.load_name}_amps", 0.0) for sample in last]
    gives = [sample.readings.get(f"{rig.supply_name}_amps", 0.0) for sample in last]
    most = block.set_amps if block.phase == "stand-in" else block.helped_amps
    if block.phase == "trace" and all(amps > ZERO_AMPS_MOST for amps in sinks):
        return _finding(f"the load takes {sinks[-1]:.3f} A", "a battery, or mains that is on already")
    if all(amps >= LIMIT_SHARE * most for amps in gives):
        return _finding(f"the supply gives all of {most:.3f} A", "a pack, a short, or a UPS wired the wrong way round")
    if all(sample.supply_mode == "driven" for sample in last):
        return _finding("the supply is driven from outside", "a battery, or mains that is on already")
    return None


def _finding(seen: str, what: str) -> Finding:
    return Finding(WORDS, f"{seen} before the UPS has mains: {what}; take it away and start again")
