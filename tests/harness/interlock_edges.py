"""More edges for ``test_interlocks.py``: voltmeters, end of a charge, readings that stand, guard, record; and those of
heat and leads. 6 A out of four LiFePO4 cells of 6 Ah, 12.8 V, or 3 A into them at 14.4 V."""

from __future__ import annotations

from math import nan
from typing import Any

from interlock_edges_heat import HEAT_AND_LEADS
from interlock_shapes import STANDS, apart, both, lively, reading, row, tail

_OTHERS: dict[str, dict[str, Any]] = {
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

EDGES = HEAT_AND_LEADS | _OTHERS
"""Name -> what ``interlock_samples.Case`` is made of."""
