"""After everything was switched off: does what was switched off hang on this pack at all?

An output that is off sees the pack's volts at its terminals, like everybody on the node; a bench where it does not is
refused before a run, too. Of an instrument with several channels it may be another one than the bench file means, and
the one that is meant may still be on. Where a contactor is open only sense leads see the pack; without them those
behind it are compared with each other.
"""

from __future__ import annotations

from contextlib import suppress

from drivers.load import Load
from drivers.supply import Supply
from harness.rig import Rig
from harness.witness import OPEN_V

SEES_SHARE = 0.5
"""Under this share of the others' volts a voltmeter is not on their node (judgement)."""

STILL_SHARE = 0.9
"""From this share of the pack's volts on, what is behind the contactor is still joined to it (judgement)."""

_DO = "its leads are off, or it is another channel than the bench file means and that one may be on"


def astray(rig: Rig) -> tuple[str, str] | None:
    """Name of a supply or load that is not on the pack's node, and words; ``None`` when there is none, or nothing to
    tell it by. Asks every instrument, never raises what they raise."""
    if rig.subject != "pack":
        return None
    near, behind, pack_volts = _seen(rig)
    for seen, stand in ((near, pack_volts), (behind, max(behind.values(), default=0.0))):
        for name, volts in seen.items():
            if rig.drivers[name].channel is None:
                continue  # it has but one output, and that one is off
            if stand >= OPEN_V and not volts >= SEES_SHARE * stand:
                return name, f"{name} is off and reads {volts:.3f} V where {stand:.3f} V stand: {_DO}"
    return None


def still_joined(rig: Rig) -> str | None:
    """Words when the contactor says that it is open and the pack's volts stand behind it all the same."""
    switch = rig.switch("contactor")
    if rig.subject != "pack" or switch is None:
        return None
    _, behind, pack_volts = _seen(rig)
    for name, volts in behind.items():
        if pack_volts >= OPEN_V and volts >= STILL_SHARE * pack_volts:
            return (
                f"{switch.name} says open, but {name} reads {volts:.3f} V behind it, the pack has {pack_volts:.3f} V: "
                "wait a minute and measure; welded, or another channel than the bench file means"
            )
    return None


def _seen(rig: Rig) -> tuple[dict[str, float], dict[str, float], float]:
    """What supply and load read at the pack, what they read behind an open contactor, by name, and the pack's volts."""
    turn, again = rig.read(), rig.read()  # one reading may be missing
    pack_volts = turn.pack_volts if turn.pack_volts == turn.pack_volts else again.pack_volts
    near: dict[str, float] = {}
    behind: dict[str, float] = {}
    for name in filter(None, (rig.supply_name, rig.load_name)):
        column = f"{name}_volts"
        volts = turn.readings.get(column, float("nan"))
        volts = volts if volts == volts else again.readings.get(column, float("nan"))
        if volts == volts:
            (near if _at_the_pack(rig, name) else behind)[name] = volts
    if pack_volts != pack_volts:
        pack_volts = max(near.values(), default=pack_volts)  # whoever else sees the pack will do
    return near, behind, pack_volts


def _at_the_pack(rig: Rig, name: str) -> bool:
    """Whether its voltmeter is on the pack's side of whatever is open."""
    if rig.switch("contactor") is None:
        return True
    entry = next(one for one in rig.bench_file.instruments if one.name == name)
    driver = rig.drivers[name]
    with suppress(Exception):  # one that does not say how it senses does so as it is wired
        if isinstance(driver, Supply | Load) and driver.dialect.sense is not None:
            return entry.sense == "remote" and driver.senses_remotely()
    return entry.sense == "remote"
