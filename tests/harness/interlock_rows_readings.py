"""Edges of the interlocks on what instruments say: set and measured, two of one current, valid, changed, late."""

from __future__ import annotations

from math import nan

from interlock_samples import Case, amps, shunt, temps, up, volts

ON_READINGS = {
    # set against measured: 3 % of 6 A = 0.18 A, at least 50 mA, five times; charging: or 1 % of 14.4 V
    "set: within 3 %": Case("set-against-measured", "sink", amps(*[5.8201] * 9), 0),
    "set: beyond 3 %": Case("set-against-measured", "sink", amps(*[5.8199] * 5), 5, says="set 6.000 A"),
    "set: four are not enough": Case("set-against-measured", "sink", amps(*([5.0] * 4 + [6.0]) * 2), 0),
    "set: a reading that flaps": Case("set-against-measured", "sink", amps(*[6.0, 0.0] * 10), 20),
    "set: nine in a hundred": Case("set-against-measured", "sink", amps(*([0.0] + [6.0] * 10) * 9), 0),
    "set: the tenth of the last hundred": Case(
        "set-against-measured", "sink", amps(5.0, *[6.0] * 82, *[5.0, 6.0] * 9), 100
    ),
    "set: the first of ten was a hundred ago": Case(
        "set-against-measured", "sink", amps(5.0, *[6.0] * 83, *[5.0, 6.0] * 9), 0
    ),
    "set: 50 mA at small currents": Case(
        "set-against-measured", "sink", [{"set_amps": 0.5, "active_amps": 0.4501}] * 9, 0
    ),
    "set: more than that": Case("set-against-measured", "sink", [{"set_amps": 0.5, "active_amps": 0.4499}] * 5, 5),
    "set: a supply held by its volts": Case(
        "set-against-measured", "source", [{"active_amps": 0.1, "active_volts": 14.2561}] * 9, 0
    ),
    "set: by neither": Case(
        "set-against-measured", "source", [{"active_amps": 0.1, "active_volts": 14.2559}] * 5, 5, says="14.400 V"
    ),
    "set: by neither, volts missing": Case(
        "set-against-measured", "source", [{"active_amps": 0.1, "active_volts": nan}] * 5, 5
    ),
    "set: current missing": Case("set-against-measured", "sink", amps(*[nan] * 9), 0),
    # two readings of one current: 3 %, at least 1 % of a range of 30 A = 0.3 A, five times
    "agree: within 0.3 A": Case("currents-agree", "sink", shunt(*[6.2999] * 9), 0),
    "agree: beyond it": Case("currents-agree", "sink", shunt(*[6.3001] * 5), 5, says="6.300 A by the shunt"),
    "agree: the wrong way round": Case("currents-agree", "sink", shunt(*[-6.0] * 5), 5, says="shunt_inverted"),
    "agree: four are not enough": Case("currents-agree", "sink", shunt(*([7.0] * 4 + [6.0]) * 2), 0),
    "agree: one that flaps": Case("currents-agree", "sink", shunt(*[6.0, 7.0] * 10), 20),
    "agree: no shunt": Case("currents-agree", "sink", shunt(*[None] * 9), 0),
    "agree: shunt missing": Case("currents-agree", "sink", shunt(*[nan] * 9), 0),
    # reading valid: three in a row, ten in a hundred, longer than 3 s
    "valid: two volts missing": Case("reading-valid", "sink", volts(nan, nan, 13.0, nan, nan, 13.0), 0),
    "valid: three volts missing": Case(
        "reading-valid",
        "sink",
        volts(13.0, nan, nan, nan),
        4,
        exit_code=23,
        says="pack volts missing 3 samples in a row",
    ),
    "valid: three currents missing": Case(
        "reading-valid", "sink", amps(nan, nan, nan), 3, exit_code=23, says="current"
    ),
    "valid: three currents missing at rest": Case(
        "reading-valid", "rest", [{"pack_amps": nan}] * 3, 3, exit_code=23, says="current missing"
    ),
    "valid: the shunt missing": Case(
        "reading-valid", "sink", shunt(nan, nan, nan), 3, exit_code=23, says="current by the shunt missing"
    ),
    "valid: three temperatures missing": Case(
        "reading-valid", "source", temps(nan, nan, nan), 3, exit_code=23, says="temperature"
    ),
    "valid: without a thermometer": Case(
        "reading-valid", "source", temps(nan, nan, nan, nan), 0, facts={"has_thermometer": False}
    ),
    "valid: three supply volts missing": Case(
        "reading-valid", "source", [{"active_volts": nan}] * 3, 3, exit_code=23, says="supply volts"
    ),
    "valid: the load's own volts are not asked for": Case("reading-valid", "sink", [{"active_volts": nan}] * 9, 0),
    "valid: another channel each time": Case("reading-valid", "sink", [*volts(nan, nan), *temps(nan, nan)], 0),
    "valid: ten in a hundred": Case(
        "reading-valid", "sink", volts(*[nan, 13.0] * 10), 19, exit_code=23, says="10 of the last 100"
    ),
    "valid: the tenth of the last hundred": Case(
        "reading-valid", "sink", volts(nan, *[13.0] * 82, *[nan, 13.0] * 9), 100, exit_code=23
    ),
    "valid: the first of ten was a hundred ago": Case(
        "reading-valid", "sink", volts(nan, *[13.0] * 83, *[nan, 13.0] * 9), 0
    ),
    "valid: nine in a hundred": Case("reading-valid", "sink", volts(*[nan, *[13.0] * 11] * 30), 0),
    "valid: missing for longer than 3 s": Case(
        "reading-valid",
        "sink",
        [{"elapsed_s": 100.0}, {"elapsed_s": 102.9, "pack_volts": nan}, {"elapsed_s": 103.1, "pack_volts": nan}],
        3,
        exit_code=23,
        says="missing for 3.1 s",
    ),
    "valid: missing for 3 s": Case(
        "reading-valid",
        "sink",
        [{"elapsed_s": 100.0}, {"elapsed_s": 102.0, "pack_volts": nan}, {"elapsed_s": 103.0, "pack_volts": nan}],
        0,
    ),
    # a load late twice in a row, and a supply beside it: 185.0 - 182.0 is a little over 3 by how the sum was made
    "valid: missing for 3 s, of sums": Case(
        "reading-valid",
        "sink",
        [{"elapsed_s": 182.0}, {"elapsed_s": 183.8, "pack_volts": nan}, {"elapsed_s": up(185.0), "pack_volts": nan}],
        0,
    ),
    "valid: missing for 3 s and a microsecond": Case(
        "reading-valid",
        "sink",
        [{"elapsed_s": 0.0}, {"elapsed_s": 1.0, "pack_volts": nan}, {"elapsed_s": 3.0 + 1e-6, "pack_volts": nan}],
        0,
    ),
    "valid: missing for two microseconds more": Case(
        "reading-valid",
        "sink",
        [{"elapsed_s": 100.0}, {"elapsed_s": 102.0, "pack_volts": nan}, {"elapsed_s": 103.000002, "pack_volts": nan}],
        3,
        exit_code=23,
    ),
    "valid: a setting that can not be read back": Case(
        "reading-valid", "sink", [{"unread": "load: amps could not be read back"}], 1, exit_code=23, says="load: amps"
    ),
    # changed from outside, sampling late: once
    "changed": Case("drift-of-state", "rest", [{}, {"drift": "load: amps was 2, is 3"}], 2, says="amps was 2, is 3"),
    "stopped by itself": Case("drift-of-state", "sink", [{}, {"own_stop": "load: too hot"}], 2, says="load: too hot"),
    "stopped by itself: the pack had opened, two are not enough": Case(
        "drift-of-state", "sink", [{"pack_volts": 6.39}, *[{"own_stop": "load: low"}] * 2, {}], 0
    ),
    "stopped by itself: the pack had opened, and nobody said so": Case(
        "drift-of-state", "sink", [{"pack_volts": 6.39}, *[{"own_stop": "load: low"}] * 3], 4, says="load: low"
    ),
    "stopped by itself: a pack at half its volts had not opened": Case(
        "drift-of-state", "sink", [{"pack_volts": 6.4}, {"own_stop": "load: low"}], 2
    ),
    "stopped by itself: volts missing are not an opened pack": Case(
        "drift-of-state", "sink", [{"pack_volts": nan}, {"own_stop": "load: low"}], 2
    ),
    "late: longest gap": Case("loop-late", "sink", [{"gap_s": 3.0}], 0),
    "late: longer": Case("loop-late", "sink", [{"gap_s": up(3.0)}], 1, exit_code=24, says="between two samples"),
    "late: gap not a number": Case("loop-late", "sink", [{"gap_s": nan}], 1, exit_code=24),
    "late: limit not a number": Case("loop-late", "sink", [{"gap_limit_s": nan}], 1, exit_code=24),
    "late: longest turn": Case("loop-late", "sink", [{"turn_wall_s": 3.0}], 0),
    "late: longer turn": Case("loop-late", "sink", [{"turn_wall_s": 3.001}], 1, exit_code=24, says="for one turn"),
    "late: a line was opened anew": Case(
        "loop-late",
        "sink",
        [{"turn_wall_s": 4.2, "flags": ("meter: opened anew, 4 s waited until it had started", "load: no reading")}],
        1,
        exit_code=24,
        says="limit 3.0 s (meter: opened anew, 4 s waited until it had started)",
    ),
    "late: turn not a number": Case("loop-late", "sink", [{"turn_wall_s": nan}], 1, exit_code=24),
    "late: longest exchange": Case("loop-late", "sink", [{"call_wall_s": 1.0}], 0),
    "late: longer exchange": Case("loop-late", "rest", [{"call_wall_s": 1.001}], 1, exit_code=24, says="one exchange"),
    "late: exchange not a number": Case("loop-late", "sink", [{"call_wall_s": nan}], 1, exit_code=24),
}
