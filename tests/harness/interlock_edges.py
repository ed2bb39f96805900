"""More edges for ``test_interlocks.py``: heat, leads, voltmeters, end of a charge, readings that stand, guard, record.

Samples are one second apart from 100 s on, as changes to good ones: 6 A out of four LiFePO4 cells of 6 Ah, 12.8 V, or
3 A into them at 14.4 V. By hand: 76.8 Wh x 10 J/(K Wh) = 768 J/K; without a label 3 % of 12.8 V at 6 A, 64 mohm;
2 x 36 A2 x 64 mohm / 768 J/K x 180 s = 1.08 K, and 1.5 K more.
"""

from __future__ import annotations

from itertools import cycle, islice
from math import nan
from typing import Any

Samples = list[dict[str, Any]]


def warming(k_per_s: float, seconds: int, *, begin_c: float = 22.0, **more: float) -> Samples:
    return [{"pack_temp_c": begin_c + k_per_s * n, "pack_amps": 6.0, **more} for n in range(seconds)]


def joints(*mohm: float, **more: float) -> Samples:
    return [{"joint_ohm": one / 1000.0, **more} for one in mohm]


def tail(*amps: float, **more: float) -> Samples:
    """A charge at constant volts, each current for one sample."""
    return [{"active_amps": one, "cv_s": 1.0 + n, **more} for n, one in enumerate(amps)]


def lively(seconds: int, *, at: float = 13.0, step: float = 0.001) -> list[float]:
    """A reading with noise over five of its steps, the same every time."""
    return [at + step * k for k in islice(cycle((0, 2, -1, 1, -2, 0, 1, -1, 2, -2)), seconds)]


def reading(values: list[float], *, column: str = "meter_volts", **more: float) -> Samples:
    return [{"readings": {column: one}, **more} for one in values]


def both(pack: list[float], other: list[float], **more: float) -> Samples:
    return [{"pack_volts": a, "volts_elsewhere": {"load": b}, **more} for a, b in zip(pack, other, strict=True)]


def apart(*volts: float, doubt: float = 0.030) -> Samples:
    return [{"volts_elsewhere": {"load": v}, "volts_doubt": {"load": doubt}} for v in volts]


def row(**what: Any) -> dict[str, Any]:
    return what


STANDS = [13.0] * 80
BEFORE = {"joint_before_ohm": 0.016}
ALL = {"joint_before_ohm": 0.016, "joint_declared_ohm": 0.016}

EDGES: dict[str, dict[str, Any]] = {
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
    # voltmeters: 20 mV beside what accuracies allow, six times
    "volts apart: as far as allowed": row(
        key="voltmeters-agree", phase="sink", samples=apart(*[13.0499] * 9), speaks=0
    ),
    "volts apart: farther": row(
        key="voltmeters-agree", phase="sink", samples=apart(*[13.0501] * 6), speaks=6, says="load says 13.050 V"
    ),
    "volts apart: lower": row(key="voltmeters-agree", phase="rest", samples=apart(*[12.9] * 6), speaks=6),
    "volts apart: five are not enough": row(
        key="voltmeters-agree", phase="sink", samples=apart(*([13.2] * 5 + [13.0]) * 3), speaks=0
    ),
    "volts apart: missing": row(key="voltmeters-agree", phase="sink", samples=apart(*[nan] * 9), speaks=0),
    "volts apart: missing in between": row(
        key="voltmeters-agree", phase="sink", samples=apart(13.2, 13.2, nan, 13.2, 13.2, nan, 13.2, 13.2), speaks=8
    ),
    "volts apart: how far is not known": row(
        key="voltmeters-agree", phase="sink", samples=apart(*[13.0] * 6, doubt=nan), speaks=6
    ),
    "volts apart: alone": row(key="voltmeters-agree", phase="sink", samples=[{}] * 9, speaks=0),
    # the tail: 4 h (lead-acid 12 h); 20 % and 0.02 x 6 Ah = 0.12 A over the least of 10 min, for 10 s
    "tail: longest": row(key="tail", phase="source", samples=[{"cv_s": 14400.0, "active_amps": 0.5}], speaks=0),
    "tail: longer": row(
        key="tail", phase="source", samples=[{"cv_s": 14400.1, "active_amps": 0.5}], speaks=1, says="limit 4 h"
    ),
    "tail: lead-acid takes its time": row(
        key="tail", phase="source", samples=[{"cv_s": 43200.0}], speaks=0, facts={"lithium": False}
    ),
    "tail: though not for ever": row(
        key="tail", phase="source", samples=[{"cv_s": 43201.0}], speaks=1, facts={"lithium": False}
    ),
    "tail: not a number": row(key="tail", phase="source", samples=[{"cv_s": nan}], speaks=1),
    "tail: falling": row(key="tail", phase="source", samples=tail(*[3.0 - n / 200.0 for n in range(500)]), speaks=0),
    "tail: rising": row(
        key="tail", phase="source", samples=tail(*[1.0] * 30, *[1.21] * 20), speaks=43, says="the current rises"
    ),
    "tail: not by so much": row(key="tail", phase="source", samples=tail(*[1.0] * 30, *[1.199] * 60), speaks=0),
    "tail: a balancer is no fault": row(key="tail", phase="source", samples=tail(*[0.4] * 30, *[0.519] * 60), speaks=0),
    "tail: more than a balancer": row(key="tail", phase="source", samples=tail(*[0.4] * 30, *[0.521] * 20), speaks=43),
    "tail: for less than 10 s": row(key="tail", phase="source", samples=tail(*([1.0] * 30 + [1.5] * 9) * 4), speaks=0),
    "tail: slower than 10 min": row(
        key="tail", phase="source", samples=tail(*[1.0 + 0.2 * n / 700.0 for n in range(1500)]), speaks=0
    ),
    "tail: a pack that opened and is charged again": row(
        key="tail", phase="source", samples=tail(*[0.5] * 30, *[0.0] * 5, *[2.0] * 60), speaks=0
    ),
    "tail: back at constant current": row(
        key="tail",
        phase="source",
        samples=[*tail(*[1.0] * 30), *[{"active_amps": 3.0, "cv_s": 30.0}] * 30, *tail(*[2.9] * 30)],
        speaks=0,
    ),
    "tail: missing in between": row(key="tail", phase="source", samples=tail(*[1.0] * 30, *[1.5, nan] * 20), speaks=45),
    # frozen: lively before, the same for 60 s, and once more
    "frozen: lively and then the same": row(
        key="frozen",
        phase="sink",
        samples=reading(lively(70) + STANDS),
        speaks=131,
        again=True,
        exit_code=23,
        says="meter_volts has been 13 for 60 s",
    ),
    "frozen: the same for 59 s": row(
        key="frozen", phase="sink", samples=reading((lively(70) + STANDS[:59]) * 3), speaks=0
    ),
    "frozen: a quiet plateau for ten hours": row(
        key="frozen",
        phase="sink",
        samples=[
            {**one, "elapsed_s": 10.0 * n}
            for n, one in enumerate(both(*[[13.2 - n // 400 * 0.001 for n in range(3600)]] * 2, active_amps=0.3))
        ],
        speaks=0,
    ),
    "frozen: noise of one step only": row(
        key="frozen",
        phase="sink",
        samples=reading([13.0, 13.001] * 40 + [13.0] * 600),
        speaks=0,
    ),
    "frozen: settled after a fall": row(
        key="frozen", phase="sink", samples=reading([13.0 - 0.001 * n for n in range(70)] + [12.93] * 300), speaks=0
    ),
    "frozen: nothing flows, and nothing moves": row(
        key="frozen",
        phase="source",
        samples=reading(lively(70, at=0.003) + [0.0] * 300, column="supply_amps"),
        speaks=0,
    ),
    "frozen: a current": row(
        key="frozen",
        phase="source",
        samples=reading(lively(70, at=3.0) + [3.0] * 80, column="supply_amps"),
        speaks=131,
        again=True,
        exit_code=23,
    ),
    "frozen: a temperature": row(
        key="frozen",
        phase="source",
        samples=reading(lively(70, at=22.0, step=0.01) + [22.0] * 80, column="probe_temp_c"),
        speaks=131,
        again=True,
        exit_code=23,
    ),
    "frozen: what is on or off is no reading": row(
        key="frozen", phase="sink", samples=reading(lively(70) + STANDS, column="mains_on"), speaks=0
    ),
    "frozen: missing": row(key="frozen", phase="sink", samples=reading(lively(70) + [nan] * 80), speaks=0),
    "frozen: missing in between": row(
        key="frozen", phase="sink", samples=reading(lively(70) + [13.0, nan] * 40), speaks=131, again=True, exit_code=23
    ),
    "frozen: quiet, and another voltmeter moves": row(
        key="frozen",
        phase="sink",
        samples=both([13.001, *[13.0] * 99], [12.9 - 0.0003 * n for n in range(100)]),
        speaks=64,
        again=True,
        exit_code=23,
        says="load went from",
    ),
    "frozen: quiet, and so is the other": row(
        key="frozen",
        phase="sink",
        samples=both([13.001, *[13.0] * 999], [12.9 - 0.00001 * n for n in range(1000)]),
        speaks=0,
    ),
    "frozen: at constant volts nothing need move": row(
        key="frozen",
        phase="source",
        samples=both([14.401, *[14.4] * 99], [14.9 - 0.003 * n for n in range(100)], cv_s=9.0),
        speaks=0,
    ),
    "frozen: volts of this chemistry have to fall": row(
        # 5 steps of 1 mV; 6 A of 6 Ah: 0.2 V x 4 cells in 3600 s: 22.5 s, but never under 60 s
        key="frozen",
        phase="sink",
        samples=[{"pack_volts": 13.001}, *[{"pack_volts": 13.0}] * 70],
        speaks=62,
        again=True,
        exit_code=23,
        says="at 6.000 A they fall within 60 s",
        facts={"chemistry": "nmc"},
    ),
    "frozen: slowly, at a small current": row(
        # at 0.3 A: 450 s
        key="frozen",
        phase="sink",
        samples=[{"pack_volts": 13.001}, *[{"pack_volts": 13.0, "active_amps": 0.3, "set_amps": 0.3}] * 449],
        speaks=0,
        facts={"chemistry": "nmc"},
    ),
    # guard and record: once
    "guard: silent for 3 s": row(key="guard-lost", phase="sink", samples=[{"guard_silent_s": 3.0}], speaks=0),
    "guard: for longer": row(
        key="guard-lost", phase="sink", samples=[{"guard_silent_s": 3.01}], speaks=1, says="no answer for 3.0 s"
    ),
    "guard: one is out of its reach": row(
        key="guard-lost", phase="rest", samples=[{"guard_astray": "load is elsewhere"}], speaks=1, says="elsewhere"
    ),
    "guard: not a number": row(key="guard-lost", phase="rest", samples=[{"guard_silent_s": nan}], speaks=1),
    "record: 5 s behind": row(key="record-behind", phase="sink", samples=[{"record_age_s": 5.0}], speaks=0),
    "record: farther": row(
        key="record-behind", phase="sink", samples=[{"record_age_s": 5.1}], speaks=1, exit_code=25, says="5.1 s"
    ),
    "record: not a number": row(
        key="record-behind", phase="rest", samples=[{"record_age_s": nan}], speaks=1, exit_code=25
    ),
    "nobody: for ten minutes": row(key="nobody-there", phase="sink", samples=[{"unwatched_s": 600.0}], speaks=0),
    "nobody: for longer": row(
        key="nobody-there",
        phase="rest",
        samples=[{"unwatched_s": 600.1, "watched_for": "somebody must stay: so it is"}],
        speaks=1,
        says="limit 600 s; somebody must stay: so it is",
    ),
    "nobody: not a number": row(key="nobody-there", phase="rest", samples=[{"unwatched_s": nan}], speaks=1),
    "record: room enough": row(key="record-behind", phase="sink", samples=[{"disk_free_bytes": 200e6}], speaks=0),
    "record: the disk nearly full": row(
        key="record-behind", phase="rest", samples=[{"disk_free_bytes": 199e6}], speaks=1, exit_code=25, says="199 MB"
    ),
    "record: room not known": row(
        key="record-behind", phase="rest", samples=[{"disk_free_bytes": nan}], speaks=1, exit_code=25
    ),
}
"""Name -> what ``interlock_samples.Case`` is made of."""
