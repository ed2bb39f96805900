"""Hazards of people, program, guard, computer and disk: what is done to them, and how a run may end then."""

from __future__ import annotations

import grid_bench as bench
from grid_judge import Hazard, left_alone, merely
from grid_moments import OFF
from grid_play import Scene
from grid_rows_pack import ALL


def _told(scene: Scene) -> list[str]:
    """The first thing said to what carries the current, once awake, is "off"."""
    said = [message for _, who, message in scene.wires.heard[scene.at + 1 :] if who == scene.active]
    was_on = any(t <= scene.at_s for t, _ in scene.peaks.ons) and scene.peaks.last_on_s >= scene.at_s
    first = next((message for message in said if not message.endswith(b"?")), b"")
    return [f"first said: {first!r}"] if was_on and scene.exit_code == 24 and first not in OFF else []


ROWS: dict[str, Hazard] = {
    "Ctrl-C, and ten times again": Hazard(
        "Ctrl-C pressed again while switching off",
        bench.interrupted_twice,
        ALL,
        merely(preflight=("20",), holding=("20",), ending=("20",), safe_off=("0", "20")),
        within_s=4.5,
    ),
    "program, guard and computer vanish": Hazard(
        "computer dies",
        bench.vanishes,
        ALL,
        merely(preflight=("11", "99", "90"), holding=("99", "90"), ending=("99", "90"), safe_off=("99", "90")),
        also=left_alone,
        spared=("mains",),
    ),
    "nothing is done for 20 s": Hazard(
        "program stalls",
        bench.stalls,
        ALL,
        merely(
            preflight=("0", "24"),
            entering=("24 sampling late",),
            holding=("24",),
            ending=("24", "0"),
            safe_off=("0", "24"),
        ),
        # Nothing is on yet while it is armed.
        at=dict.fromkeys(("arm", "armed"), ("24", "0")),
        variant="machine time",
        within_s=24.5,
    ),
    "the guard does not answer any more": Hazard(
        "guard dies or hangs",
        bench.guard_dies,
        ALL,
        merely(preflight=("21 guard lost",), holding=("21 guard lost",), ending=("0", "21 guard lost")),
        within_s=8.0,
    ),
    "the computer has slept for two hours": Hazard(
        "computer sleeps",
        bench.falls_asleep,
        ALL,
        merely(
            preflight=("24", "0", "11"),
            holding=("24 nobody looked",),
            ending=("24 nobody looked",),
            safe_off=("24", "0"),
        ),
        within_s=4.5,
        also=_told,
    ),
    "nobody has shown themselves for ten minutes": Hazard(
        "whoever must stay walks away",
        bench.walks_away,
        ALL,
        merely(preflight=("21 nobody there", "11"), holding=("21 nobody there",), ending=("0", "21 nobody there")),
        night="long",
        within_s=16.0,
    ),
    "the calendar is set back by an hour": Hazard(
        "calendar clock set, summer time",
        bench.calendar_set,
        ALL,
        merely(holding=("0",)),
    ),
    "nothing more goes to the disk": Hazard(
        "disk full",
        bench.disk_full,
        ALL,
        merely(preflight=("25",), holding=("25",), ending=("25",), safe_off=("25",)),
        within_s=4.5,
    ),
    "what is written does not reach the disk": Hazard(
        "disk stalls",
        bench.disk_stalls,
        ALL,
        merely(preflight=("25",), holding=("25",), ending=("0", "25")),
        within_s=10.0,
    ),
}
"""What goes wrong -> the hazard."""
