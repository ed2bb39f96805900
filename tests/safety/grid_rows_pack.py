"""Hazards of pack, UPS, heat and wiring: what is done to the bench, and how a run may end then."""

from __future__ import annotations

import grid_bench as bench
import grid_pack as pack
from grid_judge import Hazard, merely
from grid_play import Scene

NO_PACK = "no pack is on a UPS's bench: the supply or the load stands in for it"
NO_UPS = "a pack's bench has no UPS on its node"
ON_A_UPS = {"stand-in": NO_PACK, "trace": NO_PACK}
ON_A_PACK = {"source": NO_UPS, "sink": NO_UPS}
NOT_CHARGED = ON_A_UPS | {"sink": "a discharge puts nothing into the pack"}
PACKS, UPSES = ("source", "sink"), ("stand-in", "trace")
ALL = (*PACKS, *UPSES)

LATER = ("entering", "holding", "ending", "safe-off")
ONLY_BEFORE = (
    "whoever wires it up can do that, and by then its leads are on; once they are off it is a pack that opened"
)
NEVER_LATER = dict.fromkeys(LATER, ONLY_BEFORE)

OPENED = ("0 pack opened", "0 no charging current", "22 pack opened")
DISAGREE = ("21 voltmeters disagree", "21 high volts")
UPS_ENDS = ("0",)


def _cold(scene: Scene) -> list[str]:
    """4 A for as long as the probe takes to follow and 5 s more, whatever the record says of temperatures."""
    most_c = 4.5 * 35.0
    charged = scene.peaks.cold_charge_c
    return [f"{charged:.0f} A s charged below 0 degC"] if not charged <= most_c else []


def _in_joint(scene: Scene) -> list[str]:
    """Where it is not seen it must not matter: 40 mohm stay under 2 W up to 7 A."""
    amps = max(scene.peaks.load_a, scene.peaks.supply_a)
    seen = scene.exit_code == 21
    brief = scene.peaks.last_on_s - scene.at_s <= 30.0
    return [] if seen or brief or 0.040 * amps**2 <= 2.0 else [f"{amps:.1f} A through 40 mohm more, and nobody saw it"]


def _blown(scene: Scene) -> list[str]:
    """The sum of what flows afterwards is nothing: no fuse is asked to hold a second time."""
    return [] if not abs(scene.world.pack_amps) > 0.03 else [f"{scene.world.pack_amps:.2f} A behind a blown fuse"]


ROWS: dict[str, Hazard] = {
    "one cell fails, discharging": Hazard(
        "cell driven under its floor",
        pack.weak_cell,
        ("sink",),
        merely(holding=("0 pack opened", "0 end volts", "0 all steps", "21 low volts", "99")),
        ON_A_UPS | {"source": "a charge takes nothing out of the pack"},
        night="long",
    ),
    "one cell fails, charging": Hazard(
        "cell over-charged",
        pack.weak_cell,
        ("source",),
        merely(holding=("0 end current", "0 end volts", "0 pack opened", "21 high volts")),
        NOT_CHARGED,
        night="long",
    ),
    "output half a volt up, its voltmeter with it": Hazard(
        "cell over-charged",
        pack.output_drifts,
        ("source",),
        merely(preflight=("11 supply: reads",), holding=DISAGREE, safe_off=("0", *DISAGREE)),
        NOT_CHARGED,
        night="long",
        within_s=8.0,
    ),
    "cold room": Hazard(
        "cold pack charged",
        pack.gets_cold,
        ("source",),
        merely(preflight=("11 temperature",), holding=("21 temperature",), safe_off=("0",), ending=("0", "21")),
        NOT_CHARGED,
        night="long",
        within_s=30.0,
        begin=pack.cold_room,
        also=_cold,
    ),
    "cells heat themselves": Hazard(
        "pack overheats",
        pack.heats_itself,
        PACKS,
        merely(
            preflight=("0", "21 heating", "21 temperature", "21 rise"),
            holding=("21 heating", "21 rise", "21 temperature"),
            ending=("0", "21 heating"),
            safe_off=("0", "21 heating"),
        ),
        ON_A_UPS,
        night="long",
        within_s=90.0,
    ),
    "leads touch, the fuse blows": Hazard(
        "short circuit",
        pack.short,
        ALL,
        merely(
            preflight=("11", "0", "22 pack opened", "23"),
            holding=(*OPENED, "0", "21", "23"),
            safe_off=("0", "22 pack opened", "99"),
        ),
        within_s=60.0,
        spared=("amps",),
        also=_blown,
    ),
    "the load takes 2.5 times as much": Hazard(
        "over-current",
        pack.load_takes_double,
        ("sink",),
        merely(
            preflight=("0",),
            holding=("21 over-current", "21 switched off by itself", "0 pack opened"),
            ending=("21 over-current", "21 switched off by itself", "0 pack opened"),
        ),
        {"source": "the load is off while the pack is charged"} | dict.fromkeys(UPSES, "see: the charger gives 40 A"),
        within_s=2.0,
        spared=("amps",),
    ),
    "the supply gives 2.5 times as much": Hazard(
        "over-current",
        pack.supply_gives_double,
        ("source",),
        merely(
            preflight=("11 supply: reads",),
            holding=("21 over-current",),
            ending=("21 over-current",),
            safe_off=("0", "21 voltmeters"),
        ),
        # Its current limit is set right as it is armed; what is left is an output that its own voltmeter does not see.
        at={"arm": ("21 voltmeters disagree",)},
        why={"sink": "the supply is off while the pack is discharged"}
        | dict.fromkeys(UPSES, "see: the UPS takes more"),
        within_s=8.0,
    ),
    "pack the wrong way round": Hazard(
        "reversed pack",
        lambda scene: None,
        PACKS,
        merely(preflight=("11",)),
        dict.fromkeys(UPSES, "the simulated UPS has no reversed terminals; a node that is not dead is refused"),
        NEVER_LATER,
        begin=pack.reversed_pack,
        spared=("amps", "flows"),
    ),
    "another pack than the file says": Hazard(
        "another pack than the file says",
        lambda scene: None,
        PACKS,
        merely(preflight=("11", "10", "2")),
        ON_A_UPS,
        NEVER_LATER,
        begin=pack.another_pack,
    ),
    "a UPS with empty capacitors is connected": Hazard(
        "capacitors charged at connecting",
        pack.inrush,
        PACKS,
        merely(
            preflight=("11 pack volts", "0"),
            holding=OPENED,
            ending=(*OPENED, "0"),
            safe_off=("0", "99", "22 pack opened"),
        ),
        dict.fromkeys(UPSES, "its node is dead when it is wired up, and the supply's own limit fills its capacitors"),
        within_s=62.0,
        spared=("flows",),
    ),
    "the supply's sense leads come off": Hazard(
        "sense lead off",
        pack.supply_sense_off,
        ("source", "stand-in"),
        merely(
            preflight=("11 supply: reads", "21 voltmeters", "0"),
            holding=("21 voltmeters", "21 high volts"),
            ending=("0", "21 voltmeters"),
            safe_off=("0", "21 voltmeters"),
        ),
        dict.fromkeys(("sink", "trace"), "the supply is off, or a helper for seconds"),
        night="long",
        within_s=8.0,
    ),
    "the load's sense leads come off": Hazard(
        "sense lead off",
        pack.load_sense_off,
        ("sink", "trace"),
        merely(
            preflight=("11 load: reads", "21 voltmeters", "0"),
            holding=("21 voltmeters", "0 traced"),
            ending=("0", "21 voltmeters"),
        ),
        dict.fromkeys(("source", "stand-in"), "the load is off"),
        night="long",
        within_s=20.0,
    ),
    "40 mohm more in a joint": Hazard(
        "hot joint",
        pack.hot_joint,
        ALL,
        merely(
            preflight=("0", "21 lead resistance", "21 low volts", "11"),
            holding=("21 lead resistance", "0 volts were not as set", "0 driven", "0 traced"),
            ending=("0",),
        ),
        night="long",
        variant="two wires",
        within_s=16.0,
        also=_in_joint,
    ),
    "the supply falls under the pack": Hazard(
        "back-feed into a supply",
        pack.volts_fall,
        ("source",),
        merely(
            preflight=("11 supply: reads",),
            holding=("21 voltmeters", "21 current the wrong way", "21 high volts", "21 set against"),
            ending=("21 high volts", "21 current the wrong way", "0"),
            safe_off=("0", "21 voltmeters"),
        ),
        {"sink": "the supply is off: see a knob, a second client"}
        | dict.fromkeys(UPSES, "see: the charger goes up to 33 V"),
        night="long",
        variant="two quadrants",
        within_s=8.0,
        also=lambda scene: (
            [] if scene.peaks.reverse_c <= 40.0 else [f"{scene.peaks.reverse_c:.0f} A s into the supply"]
        ),
    ),
    "the pack opens": Hazard(
        "pack opens",
        pack.pack_opens,
        PACKS,
        merely(
            preflight=("11 pack volts",),
            holding=OPENED,
            ending=(*OPENED, "0"),
            safe_off=("0", "99", "22 pack opened"),
        ),
        ON_A_UPS,
        within_s=2.0,
    ),
    "the pack opens and closes, 20 times": Hazard(
        "pack closes again by itself",
        pack.opens_and_closes,
        PACKS,
        merely(
            preflight=("11 pack volts", "0", "21", "22 pack opened"),
            holding=(*OPENED, "0"),
            ending=(*OPENED, "0"),
            safe_off=("0", "99", "21", "22 pack opened"),
        ),
        ON_A_UPS,
        night="long",
        within_s=62.0,
    ),
    "a boost that never ends": Hazard(
        "hydrogen from lead-acid",
        pack.leak,
        ("source",),
        merely(preflight=("0",), holding=("21 tail of the charge",), ending=("0",)),
        NOT_CHARGED | dict.fromkeys(UPSES, "the UPS charges its own battery, which is not on the bench"),
        night="long",
        variant="short tail",
        within_s=6000.0,
    ),
    "the load's and the supply's own stops do nothing": Hazard(
        "an instrument's stop that lies: taken, read back, without effect",
        bench.stop_of_its_own_is_dead,
        ALL,
        merely(holding=("0",)),
    ),
}
"""What goes wrong -> the hazard."""
