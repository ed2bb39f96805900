"""Edges of the interlocks that look at heat and at leads.

6 A out of four LiFePO4 cells of 6 Ah, 12.8 V. By hand: 76.8 Wh x 10 J/(K Wh) = 768 J/K; without a label 3 % of 12.8 V
at 6 A, 64 mohm; 2 x 36 A2 x 64 mohm / 768 J/K x 180 s = 1.08 K, and 1.5 K more.
"""

from __future__ import annotations

from itertools import cycle, islice
from math import nan
from typing import Any

from interlock_shapes import ALL, BEFORE, joints, row, warming

HEAT_AND_LEADS: dict[str, dict[str, Any]] = {
    # heating: 2.58 K in 180 s at 6 A; 1.5 K with nothing flowing; 3 K in 60 s in any case
    "heat: what the current explains": row(key="heating", phase="sink", samples=warming(2.55 / 175, 400), speaks=0),
    "heat: more than that": row(
        key="heating", phase="sink", samples=warming(2.62 / 175, 200), speaks=178, says="explains 2.6 K"
    ),
    "heat: with nothing flowing": row(
        key="heating", phase="rest", samples=warming(1.6 / 175, 200, pack_amps=0.0), speaks=177, says="explains 1.5 K"
    ),
    "heat: at rest, just under it": row(
        key="heating", phase="rest", samples=warming(1.46 / 175, 400, pack_amps=0.0), speaks=0
    ),
    "heat: what flowed two minutes ago still explains": row(
        key="heating",
        phase="sink",
        samples=[*warming(0.014, 100), *warming(0.014, 190, begin_c=23.4, pack_amps=0.0)],
        speaks=0,
    ),
    "heat: a label with more resistance explains more": row(
        key="heating", phase="sink", samples=warming(3.5 / 175, 300), speaks=0, facts={"pack_ohm": 0.150}
    ),
    "heat: and so does the step at switch-on": row(
        key="heating", phase="sink", samples=warming(3.5 / 175, 300, step_ohm=0.150), speaks=0
    ),
    "heat: but no loose joint does": row(
        key="heating", phase="sink", samples=warming(6.0 / 175, 300, step_ohm=9.0), speaks=177
    ),
    "heat: faster than 3 K in a minute": row(
        key="heating", phase="sink", samples=warming(3.4 / 55, 100, pack_amps=90.0), speaks=57, says="3.2 K in 60 s"
    ),
    "heat: just under it": row(key="heating", phase="sink", samples=warming(2.95 / 56, 300, pack_amps=90.0), speaks=0),
    "heat: missing": row(key="heating", phase="sink", samples=[{"pack_temp_c": nan}] * 300, speaks=0),
    "heat: missing in between": row(
        key="heating",
        phase="sink",
        samples=[one if n % 3 else {**one, "pack_temp_c": nan} for n, one in enumerate(warming(3.0 / 175, 300))],
        speaks=179,
    ),
    "heat: the current missing explains nothing": row(
        key="heating", phase="sink", samples=warming(2.0 / 175, 200, pack_amps=nan), speaks=177
    ),
    "heat: cooling": row(key="heating", phase="sink", samples=warming(-0.05, 300), speaks=0),
    "heat: no thermometer": row(
        key="heating", phase="sink", samples=warming(0.1, 300), speaks=0, facts={"has_thermometer": False}
    ),
    # rise above the room: 20 K, two thermometers 10 K apart, each for 10 s
    "room: at 20 K": row(
        key="rise-above-room", phase="sink", samples=[{"pack_temp_c": 42.0, "ambient_c": 22.0}] * 60, speaks=0
    ),
    "room: over it for 10 s": row(
        key="rise-above-room",
        phase="sink",
        samples=[{"pack_temp_c": 42.1, "ambient_c": 22.0}] * 60,
        speaks=11,
        says="22.0 degC in the room",
    ),
    "room: not for 9 s": row(
        key="rise-above-room",
        phase="sink",
        samples=[*[{"pack_temp_c": 42.1, "ambient_c": 22.0}] * 10, {"pack_temp_c": 42.0, "ambient_c": 22.0}] * 5,
        speaks=0,
    ),
    "room: without a thermometer there, from the beginning": row(
        key="rise-above-room",
        phase="sink",
        samples=[{}, *[{"pack_temp_c": 42.1}] * 12],
        speaks=12,
        says="at the beginning",
    ),
    "room: a lug over it for 10 s": row(
        key="rise-above-room",
        phase="sink",
        samples=[{"lug_temp_c": 42.1, "ambient_c": 22.0}] * 60,
        speaks=11,
        says="lug at 42.1 degC, 22.0 degC in the room",
    ),
    "room: a lug at 20 K": row(
        key="rise-above-room", phase="sink", samples=[{"lug_temp_c": 42.0, "ambient_c": 22.0}] * 60, speaks=0
    ),
    "room: a lug far over its own beginning, the pack's thermometer away": row(
        key="rise-above-room",
        phase="source",
        samples=[{"lug_temp_c": 30.0}, *[{"lug_temp_c": 50.1}] * 12],
        speaks=12,
        says="30.0 degC at the beginning",
        facts={"has_thermometer": False},
    ),
    "room: a lug that is missing counts as hot": row(
        key="rise-above-room",
        phase="sink",
        samples=[*[{"lug_temp_c": 25.0, "ambient_c": 22.0}] * 3, *[{"lug_temp_c": nan, "ambient_c": 22.0}] * 12],
        speaks=14,
    ),
    "valid: a lug missing three times": row(
        key="reading-valid",
        phase="sink",
        samples=[{"lug_temp_c": nan}] * 3,
        speaks=3,
        exit_code=23,
        says="lug's temperature",
    ),
    "valid: a lug that reads is no lug missing": row(
        key="reading-valid", phase="sink", samples=[{"lug_temp_c": 25.0}] * 9, speaks=0
    ),
    "room: the hotter of two counts": row(
        key="rise-above-room",
        phase="sink",
        samples=[{"pack_temp_c": 36.0, "other_temp_c": 43.0, "ambient_c": 22.0}] * 12,
        speaks=11,
        says="43.0 degC",
    ),
    "room: two 10 K apart": row(
        key="rise-above-room", phase="rest", samples=[{"pack_temp_c": 22.0, "other_temp_c": 32.0}] * 60, speaks=0
    ),
    "room: two farther apart": row(
        key="rise-above-room",
        phase="rest",
        samples=[{"pack_temp_c": 22.0, "other_temp_c": 11.9}] * 12,
        speaks=11,
        says="on one pack",
    ),
    "room: missing": row(
        key="rise-above-room", phase="sink", samples=[{"pack_temp_c": nan, "ambient_c": 0.0}] * 60, speaks=0
    ),
    # lead resistance: 16 mohm at the beginning; twice and 2.5 mohm is 34.5; 0.3 times less 2.5 is 2.3; 2 W at 6 A is
    # 55.6 mohm more; of five the middle one, for 10 s
    "leads: twice what they were": row(
        key="lead-resistance", phase="sink", samples=joints(*[34.4] * 60, **BEFORE), speaks=0
    ),
    "leads: more than that": row(
        key="lead-resistance", phase="sink", samples=joints(*[34.6] * 20, **BEFORE), speaks=15, says="limit 2 times"
    ),
    "leads: a step of 40 mohm": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[16.0] * 20, *[56.0] * 20, **ALL),
        speaks=33,
        says="56.0 mohm at 6.00 A",
    ),
    "leads: a current the wrong way warms as well": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[16.0] * 20, *[56.0] * 20, **ALL, active_amps=-6.0),
        speaks=33,
        says="56.0 mohm at 6.00 A",
    ),
    "leads: 1 mohm more each minute": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[16.0 + n / 60.0 for n in range(1300)], **ALL),
        speaks=1124,
        says="limit 2 times",
    ),
    "leads: noise of 5 mohm, peak to peak": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[16.0 + n for n in islice(cycle((2.5, -2.5, 0.0, 2.0, -1.5)), 600)], **ALL),
        speaks=0,
    ),
    "leads: next to nothing left": row(
        key="lead-resistance", phase="sink", samples=joints(*[2.2] * 20, **BEFORE), speaks=15, says="limit 0.3 times"
    ),
    "leads: little left": row(key="lead-resistance", phase="sink", samples=joints(*[2.4] * 60, **BEFORE), speaks=0),
    "leads: the drop turned round": row(
        key="lead-resistance", phase="source", samples=joints(*[-30.0] * 20, **ALL), speaks=15
    ),
    "leads: 2 W more, though not twice": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[80.6] * 20, joint_before_ohm=0.025 * 1.5 + 0.0125),
        speaks=0,
    ),
    "leads: heat counts whatever the ratio": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[160.0] * 20, joint_before_ohm=0.100),
        speaks=15,
        says="2.2 W more",
    ),
    "leads: bad from the beginning": row(
        key="lead-resistance",
        phase="sink",
        samples=joints(*[44.6] * 20, joint_declared_ohm=0.016),
        speaks=15,
        says="lead_mohm 16.0 declared",
    ),
    "leads: with clamps and a fuse": row(
        key="lead-resistance", phase="sink", samples=joints(*[44.4] * 60, joint_declared_ohm=0.016), speaks=0
    ),
    "leads: neither known before nor declared": row(
        key="lead-resistance", phase="sink", samples=joints(*[500.0] * 60), speaks=0
    ),
    "leads: too little current to tell": row(
        key="lead-resistance", phase="sink", samples=joints(*[nan] * 60, **ALL), speaks=0
    ),
    "leads: not seen in between": row(
        key="lead-resistance", phase="sink", samples=joints(*[60.0, nan] * 20, **ALL), speaks=19
    ),
}
