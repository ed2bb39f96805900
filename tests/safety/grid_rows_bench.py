"""Hazards of instruments, lines, people and the computer: what is done to them, and how a run may end then."""

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


def _reads(reply: bytes, words: str) -> dict[str, Hazard]:
    """One wrong answer of the voltmeter at the pack."""
    ends = merely(
        preflight=("11", "23"),
        holding=("23", "21 voltmeters disagree", "21 high volts", "21 low volts", "22", "0 pack opened"),
        ending=("0", "23", "21", "99"),
        safe_off=("0", "90", "99", "23", "21"),
    )
    row = "reading missing, not a number, wrong unit"
    return {f"the voltmeter answers {words}": Hazard(row, bench.readings(reply), ALL, ends, within_s=6.5)}


ROWS: dict[str, Hazard] = {
    "comes on again 0.3 s after off": Hazard(
        "something switches on again by itself",
        bench.comes_on_again,
        ALL,
        merely(
            preflight=("0", "21 current while off", "21 changed from outside", "99"),
            holding=("0", "21 current while off", "21 changed from outside", "99"),
        ),
        within_s=1e9,
        spared=("ons",),
    ),
    "has come on again once off was said": Hazard(
        "something switches on again by itself",
        bench.comes_on_after_off,
        ALL,
        merely(
            preflight=("21 changed from outside", "11", "0"),
            holding=("0", "21 changed from outside", "21 current while off"),
            safe_off=("0", "21 changed from outside", "21 current while off", "99"),
        ),
        within_s=6.0,
        spared=("ons",),
    ),
    **_reads(b"9.91E37\n", "not a number"),
    **_reads(b"\n", "nothing"),
    **_reads(b"OVLD\n", "a word"),
    **_reads(b"13.1 mV\n", "another unit"),
    **_reads(b"12800\n", "a thousand times as much"),
    **_reads(b"nan\n", "nan"),
    "the voltmeter stands still": Hazard(
        "frozen reading",
        bench.freezes("meter"),
        ALL,
        merely(
            preflight=("0", "21 voltmeters", "23 frozen", "23"),
            holding=("23 frozen", "21 voltmeters disagree", "0 volts were not as set", "0", "21"),
            ending=("0", "21 voltmeters", "99"),
            safe_off=("0", "99", "21"),
        ),
        night="long",
        within_s=1600.0,
    ),
    "what carries the current reads the same volts for ever": Hazard(
        "frozen reading",
        bench.freezes(""),
        ALL,
        merely(
            preflight=("0", "21 voltmeters", "23 frozen", "11"),
            holding=("23 frozen", "21 voltmeters disagree", "0"),
            ending=("0", "21 voltmeters"),
            safe_off=("0", "21"),
        ),
        night="long",
        within_s=1600.0,
    ),
    "every answer comes late, once": Hazard(
        "late answer taken for the next",
        bench.late_answer,
        ALL,
        merely(preflight=("11",), entering=("23",), holding=("0", "23"), ending=("0", "23"), safe_off=("0", "99")),
        within_s=7.0,
    ),
    "orders are taken and not obeyed": Hazard(
        "order refused, or obeyed otherwise",
        bench.swallows_orders,
        ALL,
        merely(
            preflight=("23 instrument",), entering=("23 instrument",), holding=("0", "23 instrument"), ending=("0",)
        ),
        within_s=140.0,
    ),
    "two orders to switch off are lost": Hazard(
        "order refused, or obeyed otherwise",
        bench.swallows_off_twice,
        ALL,
        merely(holding=("0",), safe_off=("0", "21", "99")),
        within_s=1e9,
    ),
    "its line breaks, and opening it anew restarts it": Hazard(
        "instrument restarts at each opening",
        bench.restarts_at_opening,
        ALL,
        merely(
            preflight=("0", "11", "23"),
            entering=("21 changed from outside", "23", "0"),
            holding=("21", "23", "22", "0 pack opened"),
            ending=("21", "23", "22", "0"),
        ),
        within_s=6.0,
    ),
    "somebody turns the current": Hazard(
        "knob, second client, restart of an instrument",
        bench.knob,
        ALL,
        merely(
            preflight=("0", "11", "21"),
            entering=("21 changed from outside", "21 over-current", "23"),
            holding=("21 changed from outside", "21 over-current", "21 set against", "0 end volts", "0"),
            ending=("0", "21"),
        ),
        within_s=7.0,
    ),
    "a second client takes its own stop away": Hazard(
        "knob, second client, restart of an instrument",
        bench.limit_moved,
        ALL,
        merely(
            preflight=("0", "21"),
            entering=("21 changed from outside",),
            holding=("21 changed from outside", "0"),
            ending=("0", "21 changed from outside"),
        ),
        within_s=7.0,
    ),
    "it is switched off and on again by hand": Hazard(
        "knob, second client, restart of an instrument",
        bench.restarted,
        ALL,
        merely(
            preflight=("0", "11"),
            entering=("21 changed from outside", "23"),
            holding=("21 changed from outside", "21 instrument restarted", "21", "23"),
            ending=("0", "21", "23"),
            safe_off=("0", "21"),
        ),
        within_s=6.0,
    ),
    "a second client switches the other output on": Hazard(
        "knob, second client, restart of an instrument",
        bench.other_output_on,
        ALL,
        merely(
            preflight=("11", "21", "0"),
            entering=("21 changed from outside", "21", "23"),
            holding=("21 changed from outside", "21", "0", "23"),
            ending=("0", "21"),
            safe_off=("0", "21", "99"),
        ),
        within_s=8.0,
        spared=("ons",),
    ),
    "two lines break and come back crossed": Hazard(
        "instruments swapped",
        bench.another_one_answers,
        ALL,
        merely(preflight=("11",), holding=("99", "23"), ending=("99", "23", "0"), safe_off=("99", "0", "23")),
        within_s=6.0,
    ),
    "it neither answers nor obeys any more": Hazard(
        "instrument hangs with its output on",
        bench.hangs,
        ALL,
        merely(preflight=("11",), holding=("99",), ending=("99",), safe_off=("99",)),
        also=left_alone,
    ),
    "its line is gone for good": Hazard(
        "line to an instrument lost",
        bench.line_is_gone,
        ALL,
        merely(preflight=("11",), holding=("99",), ending=("99",), safe_off=("99",)),
        also=left_alone,
    ),
    "its line breaks once": Hazard(
        "line to an instrument lost",
        bench.line_blinks,
        ALL,
        merely(preflight=("0", "11", "23"), holding=("0", "23", "21"), safe_off=("0", "99")),
        within_s=6.0,
    ),
    # Where a dead node is all there is to see, an input that stays closed shows nothing, and carries nothing.
    "off is said, and has no effect": Hazard(
        "off not obeyed",
        bench.off_has_no_effect,
        ALL,
        merely(preflight=("99", "23", "21", "0"), holding=("99", "0"), ending=("99", "0"), safe_off=("0", "99", "21")),
        spared=("idle",),
        also=left_alone,
    ),
    "the load is too hot": Hazard(
        "load overheats or throttles",
        bench.load_overheats,
        ("sink", "trace"),
        merely(
            preflight=("11", "21", "23", "0"),
            entering=("21", "23"),
            holding=("21 switched off by itself", "21", "23"),
            ending=("0", "21", "23"),
            safe_off=("0", "21"),
        ),
        dict.fromkeys(("source", "stand-in"), "the load is off"),
        within_s=5.0,
    ),
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
            preflight=("0", "24"), entering=("24", "0"), holding=("24", "0"), ending=("24", "0"), safe_off=("0", "24")
        ),
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
