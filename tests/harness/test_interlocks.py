"""Every interlock at its edges: just inside, just outside, one sample too few, enough, a reading missing in between.

Levels are those of four LiFePO4 cells (`harness/chemistry.py`); the limits that follow from them and from currents
are counted by hand here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, nan, nextafter
from typing import Any

import pytest
from interlock_edges import EDGES

from harness.envelope import Envelope
from harness.findings import Facts, Finding, Watch
from harness.interlock import Filter, share
from harness.interlocks import CLASSES, WHERE, Interlocks, Standing, standing
from harness.sample import Sample

ENVELOPE = Envelope(
    chemistry="lifepo4",
    lithium=True,
    cells_in_series=4,
    rated_ah=6.0,
    nominal_v=12.8,
    full_rest_v=13.4,
    cut_off_v=10.0,
    low_v=9.6,
    own_stop_v=9.2,
    never_below_v=8.0,
    target_v=14.4,
    high_v=14.8,
    over_v=15.0,
    never_above_v=15.2,
    charge_volts_max=14.6,
    amps_max=12.0,
    amps_from="pack file",
    charge_amps_max=3.0,
    charge_amps_from="pack file",
    charge_temp_min_c=0.0,
    charge_temp_max_c=45.0,
    discharge_temp_min_c=-20.0,
    discharge_temp_max_c=60.0,
    start_temp_min_c=5.0,
    start_temp_max_c=40.0,
    unattended_temp_max_c=50.0,
)
FACTS = Facts(envelope=ENVELOPE, rated_ah=6.0, nominal_volts=12.8, lithium=True, has_thermometer=True, amps_range=30.0)
GOOD = Sample(
    elapsed_s=100.0,
    utc="2025-01-01T22:00:00.000Z",
    state="",
    pack_volts=13.0,
    pack_amps=0.0,
    charge_ah=0.0,
    energy_wh=0.0,
    pack_temp_c=22.0,
)
WATCHES = {
    "rest": Watch(phase="rest", procedure="capacity", gap_s=1.0, gap_limit_s=3.0),
    "sink": Watch(
        phase="sink",
        procedure="capacity",
        set_amps=6.0,
        active_amps=6.0,
        active_volts=13.0,
        longest_s=4000.0,
        gap_s=1.0,
        gap_limit_s=3.0,
    ),
    "source": Watch(
        phase="source",
        procedure="capacity",
        set_amps=3.0,
        set_volts=14.4,
        active_amps=3.0,
        active_volts=13.1,
        longest_s=4000.0,
        gap_s=1.0,
        gap_limit_s=3.0,
    ),
}


@dataclass(frozen=True)
class Case:
    """Samples one second apart, each as changes to a good one; ``speaks`` is the number (from 1) at which the interlock
    must speak for the first time, 0 for never."""

    key: str
    phase: str
    samples: list[dict[str, Any]]
    speaks: int
    again: bool = False
    exit_code: int = 21
    says: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


def up(value: float) -> float:
    return nextafter(value, inf)


def down(value: float) -> float:
    return nextafter(value, -inf)


def shunt(*values: float | None) -> list[dict[str, Any]]:
    return [{"shunt_amps": value} for value in values]


def volts(*values: float) -> list[dict[str, Any]]:
    return [{"pack_volts": value} for value in values]


def amps(*values: float) -> list[dict[str, Any]]:
    return [{"active_amps": value} for value in values]


def temps(*values: float) -> list[dict[str, Any]]:
    return [{"pack_temp_c": value} for value in values]


CASES = {
    # low volts: three in a row under 9.6 V; under 8.0 V once, and once more within 0.2 s
    "low: at the level": Case("low-volts", "sink", volts(9.6, 9.6, 9.6, 9.6), 0),
    "low: under it": Case("low-volts", "sink", volts(down(9.6), down(9.6), down(9.6)), 3, says="limit 9.60 V"),
    "low: two are not enough": Case("low-volts", "sink", volts(9.5, 9.5, 9.6, 9.5, 9.5), 0),
    "low: one missing does not start the count anew": Case("low-volts", "sink", volts(9.5, nan, 9.5, 9.5), 4),
    "low: at rest too": Case("low-volts", "rest", volts(9.5, 9.5, 9.5), 3),
    "low: while charging too": Case("low-volts", "source", volts(9.5, 9.5, 9.5), 3),
    "never below: at the level": Case("low-volts", "sink", volts(8.0, 13.0, 8.0), 0),
    "never below: asks again first": Case("low-volts", "sink", volts(down(8.0)), 1, again=True, says="limit 8.00 V"),
    "never below: never a word on nan": Case("low-volts", "sink", volts(nan, nan, nan, nan), 0),
    "low: an opened pack is somebody else's for two": Case(
        "low-volts", "sink", [{"pack_volts": 0.3, "active_amps": 0.0}] * 2, 0
    ),
    "low: and nobody's at the third": Case("low-volts", "sink", [{"pack_volts": 0.3, "active_amps": 0.0}] * 3, 3),
    "low: opened needs the current to be known": Case(
        "low-volts", "sink", [{"pack_volts": 0.3, "active_amps": nan}], 1, again=True
    ),
    "low: with 5 % of the current it is not an opened pack": Case(
        "low-volts", "sink", [{"pack_volts": 7.9, "active_amps": 0.3001}], 1, again=True
    ),
    "low: with less it is": Case("low-volts", "sink", [{"pack_volts": 7.9, "active_amps": 0.2999}] * 2, 0),
    # high volts: two in a row over 14.8 V, at the pack or at the supply
    "high: at the level": Case("high-volts", "source", volts(14.8, 14.8, 14.8), 0),
    "high: over it": Case("high-volts", "source", volts(up(14.8), up(14.8)), 2, says="limit 14.80 V"),
    "high: one is not enough": Case("high-volts", "source", volts(15.0, 14.8, 15.0, 14.8), 0),
    "high: at the supply's terminals": Case("high-volts", "source", [{"active_volts": up(14.8)}] * 2, 2),
    "high: the supply's alone, the pack's missing": Case(
        "high-volts", "source", [{"pack_volts": nan, "active_volts": 14.9}] * 2, 2
    ),
    "high: the pack's alone, the supply's missing": Case(
        "high-volts", "source", [{"pack_volts": 14.9, "active_volts": nan}] * 2, 2
    ),
    "high: the higher of the two is told": Case(
        "high-volts", "source", [{"pack_volts": 14.1, "active_volts": 14.9}] * 2, 2, says="14.900 V"
    ),
    "high: both missing": Case("high-volts", "source", [{"pack_volts": nan, "active_volts": nan}] * 5, 0),
    "high: at rest": Case("high-volts", "rest", volts(14.9, 14.9), 2),
    "high: discharging, the load's own volts do not count": Case("high-volts", "sink", [{"active_volts": 20.0}] * 5, 0),
    # over-current: 1.05 x 6 A + 0.05 A = 6.35 A twice; 1.02 x 12 A + 0.02 A = 12.26 A once; charging 3.08 A
    "over: at the band": Case("over-current", "sink", amps(6.35, 6.35, 6.35), 0),
    "over: over the band": Case("over-current", "sink", amps(6.3501, 6.3501), 2, says="limit 6.350 A (set 6.000 A)"),
    "over: one is not enough": Case("over-current", "sink", amps(7.0, 6.3, 7.0, 6.3), 0),
    "over: at what pack, fuse and leads bear": Case("over-current", "sink", amps(12.26), 0),
    "over: over that, once": Case("over-current", "sink", amps(12.2601), 1, says="limit 12.260 A"),
    "over: the other way round as well": Case("over-current", "sink", amps(-12.3), 1),
    "over: charging has a ceiling of its own": Case("over-current", "source", amps(3.0801), 1, says="limit 3.080 A"),
    "over: at the charging ceiling": Case("over-current", "source", amps(3.08, 3.08, 3.08), 0),
    "over: missing": Case("over-current", "sink", amps(nan, nan, nan, nan), 0),
    "over: missing in between": Case("over-current", "sink", amps(7.0, nan, 7.0), 3),
    "over: without end": Case("over-current", "sink", amps(inf), 1),
    # wrong sign: beyond 1 % of 30 A = 0.3 A twice
    "sign: at the limit": Case("wrong-sign", "source", amps(-0.3, -0.3, -0.3), 0),
    "sign: beyond it": Case("wrong-sign", "source", amps(-0.3001, -0.3001), 2, says="limit -0.300 A"),
    "sign: one is not enough": Case("wrong-sign", "source", amps(-5.0, 0.0, -5.0, 0.0), 0),
    "sign: small ranges have 50 mA": Case("wrong-sign", "sink", amps(-0.05, -0.05), 0, facts={"amps_range": 1.0}),
    "sign: beyond 50 mA": Case("wrong-sign", "sink", amps(-0.0501, -0.0501), 2, facts={"amps_range": 1.0}),
    "sign: missing": Case("wrong-sign", "sink", amps(nan, nan, nan), 0),
    # temperature: charge 0 to 45, discharge and rest -20 to 60, left alone at most 50, each twice
    "temp: coldest charge": Case("temperature", "source", temps(0.0, 0.0), 0),
    "temp: too cold to charge": Case(
        "temperature", "source", temps(-0.01, -0.01), 2, says="charge allowed from 0 to 45"
    ),
    "temp: warmest charge": Case("temperature", "source", temps(45.0, 45.0), 0),
    "temp: too warm to charge": Case("temperature", "source", temps(45.01, 45.01), 2),
    "temp: one is not enough": Case("temperature", "source", temps(50.0, 45.0, 50.0, 45.0), 0),
    "temp: coldest discharge": Case("temperature", "sink", temps(-20.0, -20.0), 0),
    "temp: too cold to discharge": Case("temperature", "sink", temps(-20.01, -20.01), 2, says="discharge allowed"),
    "temp: warmest discharge": Case("temperature", "sink", temps(60.0, 60.0), 0),
    "temp: too warm to discharge": Case("temperature", "sink", temps(60.01, 60.01), 2),
    "temp: too warm at rest": Case("temperature", "rest", temps(60.01, 60.01), 2, says="rest allowed"),
    "temp: warmest when left alone": Case("temperature", "sink", temps(50.0, 50.0), 0, facts={"unattended": True}),
    "temp: too warm to be left alone": Case(
        "temperature", "sink", temps(50.01, 50.01), 2, says="to 50 degC", facts={"unattended": True}
    ),
    "temp: left alone changes no tighter limit": Case(
        "temperature", "source", temps(45.01, 45.01), 2, says="to 45 degC", facts={"unattended": True}
    ),
    "temp: missing": Case("temperature", "source", temps(nan, nan, nan), 0),
    "temp: missing in between": Case("temperature", "source", temps(50.0, nan, 50.0), 3),
    "temp: no thermometer": Case("temperature", "sink", temps(99.0, 99.0), 0, facts={"has_thermometer": False}),
    # charge and time: 1.2 x 6 Ah = 7.2 Ah out, 1.15 x 6 Ah = 6.9 Ah in (lead-acid 7.8 Ah); the plan's 4000 s
    "charge: most out": Case("charge-and-time", "sink", [{"block_charge_ah": 7.2 - 1e-9}], 0),
    "charge: too much out": Case("charge-and-time", "sink", [{"block_charge_ah": 7.2001}], 1, says="out of the pack"),
    "charge: most in": Case("charge-and-time", "source", [{"block_charge_ah": 6.9 - 1e-9}], 0),
    "charge: too much in": Case("charge-and-time", "source", [{"block_charge_ah": 6.9001}], 1, says="into the pack"),
    "charge: lead-acid takes more": Case(
        "charge-and-time", "source", [{"block_charge_ah": 7.8 - 1e-9}], 0, facts={"lithium": False}
    ),
    "charge: though not for ever": Case(
        "charge-and-time", "source", [{"block_charge_ah": 7.8001}], 1, facts={"lithium": False}
    ),
    "charge: at the limit": Case("charge-and-time", "sink", [{"block_charge_ah": 12.0}], 0, facts={"rated_ah": 10.0}),
    "charge: just over it": Case(
        "charge-and-time", "sink", [{"block_charge_ah": up(12.0)}], 1, facts={"rated_ah": 10.0}
    ),
    "charge: not a number": Case("charge-and-time", "sink", [{"block_charge_ah": nan}], 1),
    "time: longest": Case("charge-and-time", "sink", [{"block_s": 4000.0}], 0),
    "time: longer": Case("charge-and-time", "sink", [{"block_s": up(4000.0)}], 1, says="4000 s in this phase"),
    "time: not a number": Case("charge-and-time", "sink", [{"block_s": nan}], 1),
    "time: limit not a number": Case("charge-and-time", "sink", [{"longest_s": nan}], 1),
    # pack opened: under 5 % of 6 A = 0.3 A twice, with half the nominal volts gone or the current halved in one sample
    "opened: half the volts": Case(
        "pack-opened", "sink", [{}, *[{"active_amps": 0.29, "pack_volts": 6.39}] * 2], 3, exit_code=22
    ),
    "opened: the current halved": Case("pack-opened", "sink", amps(6.0, 0.29, 0.29), 3, exit_code=22),
    "opened: at 5 %": Case("pack-opened", "sink", amps(6.0, 0.3001, 0.3001, 0.3001), 0),
    "opened: at half the volts": Case(
        "pack-opened", "sink", [*amps(0.55), *[{"active_amps": 0.29, "pack_volts": 6.4}] * 3], 0
    ),
    "opened: just under half the volts": Case(
        "pack-opened", "sink", [*amps(0.55), *[{"active_amps": 0.29, "pack_volts": down(6.4)}] * 2], 3, exit_code=22
    ),
    "opened: exactly halved": Case("pack-opened", "sink", amps(0.58, 0.29, 0.29, 0.29), 0),
    "opened: a little more than halved": Case("pack-opened", "sink", amps(0.5801, 0.29, 0.29), 3, exit_code=22),
    "opened: counted without its sign": Case("pack-opened", "sink", amps(-6.0, -0.29, -0.29), 3, exit_code=22),
    "opened: one is not enough": Case("pack-opened", "sink", amps(6.0, 0.0, 6.0, 0.0, 6.0), 0),
    "opened: fading is not opening": Case("pack-opened", "sink", amps(6.0, 0.31, 0.29, 0.27, 0.25), 0),
    "opened: a missing current in between": Case("pack-opened", "sink", amps(6.0, nan, 0.0, 0.0), 4, exit_code=22),
    "opened: missing volts do not hide it": Case(
        "pack-opened", "sink", [{}, *[{"active_amps": 0.0, "pack_volts": nan}] * 2], 3, exit_code=22
    ),
    "off: at the limit of 0.3 A": Case("pack-opened", "rest", [{"pack_amps": 0.3}, {"pack_amps": -0.3}], 0),
    "off: beyond it": Case("pack-opened", "rest", [{"pack_amps": 0.3001}] * 2, 2, says="with all outputs off"),
    "off: beyond it inwards": Case("pack-opened", "rest", [{"pack_amps": -0.3001}] * 2, 2),
    "off: small ranges have 50 mA": Case(
        "pack-opened", "rest", [{"pack_amps": 0.05}] * 3, 0, facts={"amps_range": 1.0}
    ),
    "off: beyond 50 mA": Case("pack-opened", "rest", [{"pack_amps": 0.0501}] * 2, 2, facts={"amps_range": 1.0}),
    "off: one is not enough": Case("pack-opened", "rest", [{"pack_amps": 9.0}, {}, {"pack_amps": 9.0}], 0),
    "off: missing": Case("pack-opened", "rest", [{"pack_amps": nan}] * 4, 0),
    "low: the load's own voltmeter": Case(
        "low-volts", "sink", [{"pack_volts": 11.9, "active_amps": 6.0, "set_amps": 6.0, "load_volts": 9.5}] * 3, 3
    ),
    "low: the load cannot tell": Case(
        "low-volts", "sink", [{"active_amps": 6.0, "set_amps": 6.0, "load_volts": float("nan")}] * 9, 0
    ),
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


def played(phase: str, changes: dict[str, Any], number: int) -> tuple[Sample, Watch]:
    sample_keys = {key: value for key, value in changes.items() if hasattr(GOOD, key)}
    watch_keys = {key: value for key, value in changes.items() if key not in sample_keys}
    sample = replace(GOOD, **{"elapsed_s": 100.0 + number, **sample_keys})
    return sample, replace(WATCHES[phase], **watch_keys)


CASES |= {name: Case(**row) for name, row in EDGES.items()}


def facts(case: Case) -> Facts:
    """The case's facts; what is asked of the envelope stands in it."""
    env = {key: value for key, value in case.facts.items() if hasattr(ENVELOPE, key)}
    mine = {key: value for key, value in case.facts.items() if hasattr(FACTS, key)}
    return replace(FACTS, envelope=replace(ENVELOPE, **env), **mine)


@pytest.mark.parametrize("name", CASES)
def test_edges(name: str) -> None:
    case = CASES[name]
    lock = CLASSES[case.key](facts(case))
    found: list[Finding | None] = [
        lock.judge(*played(case.phase, changes, number)) for number, changes in enumerate(case.samples)
    ]
    first = next((number for number, one in enumerate(found, start=1) if one is not None), 0)
    assert first == case.speaks
    if first:
        finding = found[first - 1]
        assert finding is not None
        assert (finding.again, finding.exit_code) == (case.again, case.exit_code)
        assert case.says in finding.text
        assert "nan" not in finding.text


@pytest.mark.parametrize("key", CLASSES)
def test_every_interlock_has_edges(key: str) -> None:
    spoken = {bool(case.speaks) for case in CASES.values() if case.key == key}
    assert spoken == {True, False}


@pytest.mark.parametrize("needed", [1, 2, 3, 5])
def test_filter_counts_in_a_row(needed: int) -> None:
    one = Filter(needed)
    assert [one.full(inside=False) for _ in range(needed + 1)] == [False] * (needed - 1) + [True, True]
    assert not one.full(inside=True)
    assert one.full(inside=False) is (needed == 1)


# -- one frightening sample --------------------------------------------------------------------------------------------


def low_volts(*values: float) -> list[tuple[bool, bool]]:
    """Whether it spoke, and whether it only asked again, at each value."""
    lock = CLASSES["low-volts"](FACTS)
    found = [lock.judge(*played("sink", {"pack_volts": value}, number)) for number, value in enumerate(values)]
    return [(one is not None, one is not None and one.again) for one in found]


def test_one_dip_at_switch_on_ends_nothing() -> None:
    assert low_volts(13.1, 7.7, 12.9, 12.9) == [(False, False), (True, True), (False, False), (False, False)]


def test_a_dip_seen_twice_counts() -> None:
    assert low_volts(13.1, 7.7, 7.7) == [(False, False), (True, True), (True, False)]


def test_each_dip_is_asked_about_afresh() -> None:
    assert low_volts(7.7, 12.9, 7.7, 12.9)[2] == (True, True)


def test_a_missing_reading_after_a_dip_does_not_forget_it() -> None:
    assert low_volts(7.7, nan, 7.7)[2] == (True, False)


def test_deep_under_the_level_for_long_is_certain_at_once() -> None:
    assert low_volts(9.5, 9.5, 7.7)[2] == (True, False)


# -- all together ------------------------------------------------------------------------------------------------------


def judge(procedure: str, phase: str, *changes: dict[str, Any]) -> list[Finding | None]:
    locks = Interlocks(FACTS, procedure)
    return [locks.judge(*played(phase, one, number)) for number, one in enumerate(changes)]


OPENED = {"active_amps": 0.0, "pack_volts": 0.3}


def test_an_opened_pack_explains_its_low_volts() -> None:
    """Without a detector of its own a procedure gets "pack opened", not "low volts"."""
    found = judge("somebody's own", "sink", {}, OPENED, OPENED)
    assert found[:2] == [None, None]
    assert found[2] is not None
    assert (found[2].words, found[2].exit_code) == ("pack opened", 22)


def test_where_the_detector_looks_for_it_the_interlock_waits_one_sample_longer() -> None:
    found = judge("capacity", "sink", {}, OPENED, OPENED, OPENED)
    assert found[:3] == [None, None, None]
    assert found[3] is not None
    assert found[3].words == "low volts"


def test_a_certain_finding_goes_before_one_that_asks_again() -> None:
    found = judge("capacity", "sink", {"pack_volts": 7.9, "drift": "load: amps was 6, is 7"})
    assert found[0] is not None
    assert (found[0].words, found[0].again) == ("changed from outside", False)


def test_of_several_the_first_of_the_table_is_told() -> None:
    both = {"pack_volts": 14.9, "pack_temp_c": 61.0}
    found = judge("capacity", "rest", both, both)
    assert found[1] is not None
    assert found[1].words == "high volts"


def test_filters_start_afresh_with_a_phase() -> None:
    locks = Interlocks(FACTS, "capacity")
    for phase in ("sink", "rest", "sink"):
        assert [locks.judge(*played(phase, {"pack_volts": 9.5}, number)) for number in range(2)] == [None, None]


def test_nothing_is_judged_where_it_is_off() -> None:
    wild = {"active_amps": 99.0, "block_charge_ah": 99.0, "block_s": 1e9}
    assert judge("capacity", "rest", *[wild] * 9) == [None] * 9


ALL_MISSING = {"pack_volts": nan, "pack_amps": nan, "pack_temp_c": nan, "active_amps": nan, "active_volts": nan}


@pytest.mark.parametrize("phase", WATCHES)
def test_everything_missing_ends_a_run_at_the_third(phase: str) -> None:
    found = judge("capacity", phase, *[ALL_MISSING] * 3)
    assert found[:2] == [None, None]
    assert found[2] is not None
    assert (found[2].words, found[2].exit_code) == ("no valid reading", 23)


@pytest.mark.parametrize("phase", WATCHES)
@pytest.mark.parametrize("key", CLASSES)
def test_a_quiet_night_is_quiet(key: str, phase: str) -> None:
    lock = CLASSES[key](FACTS)
    assert [lock.judge(*played(phase, {}, number)) for number in range(300)] == [None] * 300


# -- where each stands -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", WATCHES)
@pytest.mark.parametrize("key", CLASSES)
def test_a_procedure_without_rows_has_everything_armed_that_can_be(key: str, phase: str) -> None:
    stranger = standing(key, procedure="somebody's own", phase=phase)
    known = {rows[phase].word for rows in WHERE[key].values() if "sink" in rows}
    assert stranger.word == ("off" if known == {"off"} else "armed")


@pytest.mark.parametrize("phase", WATCHES)
def test_standing_is_the_table(phase: str) -> None:
    for key, by_procedure in WHERE.items():
        for procedure, row in by_procedure.items():
            if phase not in row:
                continue
            assert standing(key, procedure=procedure, phase=phase) is row[phase]


def test_an_armed_one_has_no_reason_and_any_other_has_one() -> None:
    everywhere: list[Standing] = [s for by in WHERE.values() for row in by.values() for s in row.values()]
    assert all((one.word == "armed") is (one.reason == "") for one in everywhere)


# -- how far off -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "whole", "share_left"),
    [(1.0, 2.0, 0.5), (3.0, 2.0, 1.0), (-1.0, 2.0, 0.0), (nan, 2.0, None), (1.0, 0.0, None), (1.0, nan, None)],
)
def test_share(left: float, whole: float, share_left: float | None) -> None:
    assert share(left, whole) == share_left


def test_nearest_names_the_one_with_the_least_way_left() -> None:
    locks = Interlocks(FACTS, "capacity")
    assert locks.nearest(*played("sink", {"pack_volts": 9.7}, 0)) == ("low volts", pytest.approx(0.1 / 3.2))
    assert locks.nearest(*played("sink", {"block_s": 3960.0}, 1)) == ("charge or time", pytest.approx(0.01))


@pytest.mark.parametrize(
    ("phase", "temp_c", "left"),
    [
        ("source", 44.0, 1.0 / 22.5),
        ("source", 0.5, 0.5 / 22.5),
        ("sink", 59.0, 1.0 / 40.0),
        ("sink", -19.0, 1.0 / 40.0),
    ],
)
def test_nearest_to_either_end_of_the_band(phase: str, temp_c: float, left: float) -> None:
    """Of half the band: 0 to 45 degC when charging, -20 to 60 degC when discharging."""
    near = played(phase, {"pack_temp_c": temp_c}, 0)
    assert Interlocks(FACTS, "capacity").nearest(*near) == ("temperature", pytest.approx(left))
    without = Interlocks(replace(FACTS, has_thermometer=False), "capacity").nearest(*near)
    assert without is not None
    assert without[0] != "temperature"


@pytest.mark.parametrize("phase", WATCHES)
def test_nearest_with_everything_missing_says_no_figure_that_is_not_one(phase: str) -> None:
    nearest = Interlocks(FACTS, "capacity").nearest(*played(phase, ALL_MISSING, 0))
    assert nearest is None or 0.0 <= nearest[1] <= 1.0


@pytest.mark.parametrize(
    ("volts", "spoke_at"),
    [
        ([26.0, 26.0, 26.0], None),
        ([0.0, 2.0, 9.0, 15.0, 26.0, 26.0], None),  # a supply that takes its time to come up
        ([26.0, 9.0, 9.0, 26.0, 9.0, 9.0], None),
        ([26.0, 9.0, 9.0, 9.0], 3),
        ([26.0, nan, 9.0, 9.0, nan, 9.0], 5),
        ([9.0, 9.0, 9.0, 9.0], None),  # never came up: that it does not run is the procedure's to say
    ],
)
def test_low_volts_on_a_stand_in(volts: list[float], spoke_at: int | None) -> None:
    lock = CLASSES["low-volts"](FACTS)
    watch = replace(WATCHES["rest"], phase="stand-in", set_amps=10.0)
    spoke = [n for n, v in enumerate(volts) if lock.judge(replace(GOOD, pack_volts=v), watch) is not None]
    assert (spoke[0] if spoke else None) == spoke_at
