"""Hazards of a UPS's node, charger and mains, and of a contactor: what is done to them, how a run may end then."""

from __future__ import annotations

import grid_pack as pack
from grid_judge import Hazard, merely
from grid_rows_pack import ALL, LATER, ON_A_PACK, PACKS, UPSES

ROWS: dict[str, Hazard] = {
    "a short that stays": Hazard(
        "short circuit",
        pack.short_stays,
        UPSES,
        merely(holding=("21 something else", "21 low volts", "0 supply limit"), trace=("0 charger",)),
        ON_A_PACK | dict.fromkeys(PACKS, "a short that stays on a pack is for its fuse: leads touch, the fuse blows"),
        within_s=12.0,
    ),
    "the UPS takes three times as much": Hazard(
        "over-current",
        pack.ups_takes_more,
        ("stand-in",),
        merely(holding=("0", "21")),
        ON_A_PACK | {"trace": "the UPS has its mains while its charger is traced"},
        within_s=1e9,
    ),
    "the charger gives 40 A": Hazard(
        "over-current",
        pack.charger_gives_more,
        UPSES,
        merely(holding=("0", "21 over-current")),
        ON_A_PACK,
        within_s=15.0,
    ),
    "the pack is left beside the UPS": Hazard(
        "pack left on the node beside a UPS",
        pack.left_beside,
        UPSES,
        merely(preflight=("11 UPS volts",)),
        ON_A_PACK,
        dict.fromkeys(LATER, "see: a pack is put beside the UPS"),
        not_at={"mid-look": "the UPS is wired up by then; see: a pack is put beside the UPS"},
        spared=("flows",),
    ),
    "a pack is put beside the UPS": Hazard(
        "pack left on the node beside a UPS",
        pack.both_on_the_node,
        UPSES,
        merely(preflight=("0", "11"), holding=("99", "21"), safe_off=("99", "0")),
        ON_A_PACK,
        within_s=130.0,
        spared=("flows",),
    ),
    "a UPS is put beside the pack": Hazard(
        "pack and UPS both on the node",
        pack.both_on_the_node,
        ALL,
        merely(preflight=("0", "11"), holding=("0", "21", "99"), safe_off=("0", "99")),
        within_s=130.0,
        spared=("flows",),
    ),
    "the charger goes up to 33 V": Hazard(
        "UPS's charger pushes into the supply",
        pack.charger_pushes,
        UPSES,
        merely(
            preflight=("21 high volts", "0 no end of the current", "0"),
            holding=("21 high volts", "0 no end of the current", "0 supply trip", "0 cut-off"),
            ending=("21 high volts", "0"),
        ),
        ON_A_PACK,
        within_s=200.0,
        spared=("node",),
        also=lambda scene: [] if scene.peaks.reverse_c <= 6.0 else [f"{scene.peaks.reverse_c:.1f} A s into the supply"],
    ),
    "somebody plugs the UPS in": Hazard(
        "UPS starts by itself, its output live",
        pack.mains_by_hand,
        UPSES,
        merely(preflight=("11 mains", "21 changed from outside"), holding=("21 changed from outside", "0")),
        ON_A_PACK,
        within_s=6.0,
    ),
    "mains is back and its switch has welded": Hazard(
        "mains comes back",
        pack.mains_stays,
        UPSES,
        merely(preflight=("11", "21", "99"), holding=("99",), ending=("99",), safe_off=("99",)),
        ON_A_PACK,
    ),
    "the contactor has welded": Hazard(
        "contactor welded, or does not close",
        pack.welds,
        ALL,
        merely(preflight=("11 load: reads", "0"), holding=("0", "99")),
        variant="contactor",
        spared=("contactor",),
    ),
    "the contactor does not close": Hazard(
        "contactor welded, or does not close",
        pack.does_not_close,
        ALL,
        merely(preflight=("21 contactor closed", "21 voltmeters", "11"), holding=("0", "99")),
        variant="contactor",
        within_s=8.0,
        spared=("contactor",),
    ),
}
"""What goes wrong -> the hazard."""
