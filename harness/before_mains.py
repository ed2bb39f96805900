"""Before a UPS gets its mains for the first time: whatever flows steadily at its battery terminals is not its own.

A UPS without mains that was not started gives nothing and takes next to nothing. A pack asleep behind its BMS looks
like a dead node until the stand-in wakes it; a short or a UPS wired the wrong way round takes all there is; a charger
already on pushes. A UPS that starts by itself takes what its load asks, which the supply's limit is well above.
Volts that stand at the supply and nowhere else say that it is another output, or none, that the leads are on.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.block import Block
from harness.findings import Finding
from harness.rig import Rig
from harness.sample import Sample
from harness.zero_amps import ZERO_AMPS_MOST

LOOK_S = 4.0
"""So long is looked: capacitors are full long before."""

LAST = 3
"""Samples that must all say so."""

LIMIT_SHARE = 0.95
"""From this share of its limit on a supply gives all that it may."""

ARRIVES_SHARE = 0.5
"""Less than this share of the supply's volts anywhere else: they do not arrive; no lead drops so much (judgement)."""

WORDS = "something else on the node"
NOT_THERE = "supply not on the node"


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
    return _not_there(last, rig) if block.phase == "stand-in" or block.helped else None


def _not_there(last: Sequence[Sample], rig: Rig) -> Finding | None:
    """Words when the volts of a supply that is on reach no other voltmeter; ``None`` where there is no other."""
    own = f"{rig.supply_name}_volts"
    gives = [sample.readings.get(own, 0.0) for sample in last]
    elsewhere = [
        [volts for name, volts in sample.readings.items() if name.endswith("_volts") and name != own and volts == volts]
        for sample in last
    ]
    arrives = [max(seen, default=volts) for seen, volts in zip(elsewhere, gives, strict=True)]
    # A supply that does not tell its volts tells nothing here: a missing reading is somebody else's business.
    if all(v == v and not there >= ARRIVES_SHARE * v for there, v in zip(arrives, gives, strict=True)):
        text = f"{gives[-1]:.3f} V at the supply, {arrives[-1]:.3f} V at the UPS's battery terminals"
        return Finding(NOT_THERE, f"{text}: check the supply's leads, and its channel in the bench file")
    return None


def _finding(seen: str, what: str) -> Finding:
    return Finding(WORDS, f"{seen} before the UPS has mains: {what}; take it away and start again")
