"""Edges of the interlocks on the pack and its current: volts, current, temperature, charge and time, an opened pack.

The limits that follow from levels and currents are counted by hand here.
"""

from __future__ import annotations

from math import inf, nan

from interlock_samples import Case, amps, down, temps, up, volts


def elsewhere(pack_volts: float, others: dict[str, float]) -> list[dict[str, object]]:
    """One sample on which other voltmeters of the node read so."""
    return [{"pack_volts": pack_volts, "volts_elsewhere": others}]


ON_THE_PACK = {
    # low volts: three in a row under 9.6 V; under 8.0 V once, and once more within 0.2 s
    "low: at the level": Case("low-volts", "sink", volts(9.6, 9.6, 9.6, 9.6), 0),
    "low: under it": Case("low-volts", "sink", volts(down(9.6), down(9.6), down(9.6)), 3, says="limit 9.60 V"),
    "low: two are not enough": Case("low-volts", "sink", volts(9.5, 9.5, 9.6, 9.5, 9.5), 0),
    "low: one missing does not start the count anew": Case("low-volts", "sink", volts(9.5, nan, 9.5, 9.5), 4),
    "low: at rest too": Case("low-volts", "rest", volts(9.5, 9.5, 9.5), 3),
    "low: dead at rest is an opened pack": Case(
        "low-volts", "rest", volts(0.007), 1, again=True, exit_code=22, says="terminals at 0.007 V with all outputs off"
    ),
    "low: dead by every voltmeter": Case(
        "low-volts", "rest", elsewhere(0.007, {"load": 0.01, "supply": 0.0}), 1, again=True, exit_code=22
    ),
    "low: another one sees a pack": Case(
        "low-volts", "rest", elsewhere(0.007, {"load": 13.1}), 1, again=True, says="pack at 0.007 V, limit 8.00 V"
    ),
    "low: a quarter of the nominal volts is a pack": Case("low-volts", "rest", volts(3.2), 1, again=True),
    "low: under it is none": Case("low-volts", "rest", volts(down(3.2)), 1, again=True, exit_code=22),
    "low: over it the wrong way round is one": Case("low-volts", "rest", volts(-3.2), 1, again=True),
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
}
