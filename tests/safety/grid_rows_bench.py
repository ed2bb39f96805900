"""Hazards of instruments and their lines: what is done to them, and how a run may end then."""

from __future__ import annotations

import grid_bench as bench
from grid_judge import Hazard, left_alone, merely
from grid_rows_pack import ALL

SEEN_LIVE = {"stand_in": ("99",), "trace": ("99",)}
"""A node without a pack is off when no voltmeter sees it live: one that does not read what there is leaves it so."""


def _reads(reply: bytes, words: str) -> dict[str, Hazard]:
    """One wrong answer of the voltmeter at the pack."""
    ends = merely(
        preflight=("11", "23", "21 voltmeters disagree"),
        holding=("23", "21 voltmeters disagree", "21 high volts", "21 low volts", "22", "0 pack opened"),
        ending=("0", "23", "21", "99"),
        safe_off=("0", "90", "99", "23", "21"),
        **SEEN_LIVE,
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
            **SEEN_LIVE,
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
            **SEEN_LIVE,
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
            preflight=("23 instrument",),
            entering=("23 instrument",),
            stand_in=("0",),
            holding=("0", "23 instrument"),
            ending=("0",),
        ),
        # On, and armed as read back: the next order to a pack's instrument is "off", which is obeyed, or the current of
        # a next step, which is seen not to have been taken.
        at={"source read back": ("0",), "sink read back": ("0", "23 instrument")},
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
            stand_in=("0",),  # a sweep sets its limit anew as soon as it is on, and so puts it right
        ),
        # What is turned before it is set is put right by being set and read back: the judge sees that it was.
        # A load that holds volts makes no use of its current.
        at={"arm": ("0",), "trace armed": ("0",)},
        put_right=True,
        within_s=7.0,
    ),
    "a second client takes its own stop away": Hazard(
        "knob, second client, restart of an instrument",
        bench.limit_moved,
        ALL,
        merely(
            preflight=("0", "21"),
            entering=("21 changed from outside",),
            holding=("21 changed from outside",),
            ending=("0", "21 changed from outside"),
            trace=("0",),  # the load has no low-volts stop there: it is none that is taken away
        ),
        # What is turned before it is set is put right by being set and read back: the judge sees that it was.
        at={"arm": ("0",)},
        put_right=True,
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
        # What is turned before it is set is put right by being set and read back: the judge sees that it was.
        at={"arm": ("0",)},
        put_right=True,
        within_s=6.0,
    ),
    "a second client switches the other output on": Hazard(
        "knob, second client, restart of an instrument",
        bench.other_output_on,
        ALL,
        merely(
            preflight=("11", "21", "0"),
            entering=("21 changed from outside", "21", "23"),
            holding=("21 changed from outside", "21", "23"),
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
        merely(
            preflight=("99", "23", "21", "0"), holding=("99",), ending=("99",), trace=("0",), safe_off=("0", "99", "21")
        ),
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
}
"""What goes wrong -> the hazard."""
