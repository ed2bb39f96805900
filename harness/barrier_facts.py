"""From files, dialects and a forecast to the facts that ``harness/barriers.py`` judges. Talks to nothing."""

from __future__ import annotations

from drivers.dialect import DialectRefused, LoadDialect, SupplyDialect
from drivers.dialect import load as load_dialect
from harness.barrier_records import GENTLE_IT, HOTTEST_C
from harness.barriers import MOST_IT, Facts
from harness.instrument_entry import InstrumentEntry
from harness.procedure import Forecast
from harness.site import Site
from harness.volts_place import volts_place
from harness.watchdogs import usable


def facts_of(site: Site, *, procedure: str, charging: bool, forecast: Forecast) -> Facts:
    """What files say about one run. Rates are those of the forecast's currents: keys of plans differ, currents do not.

    A dialect that cannot be read counts as one that cannot set a stop; the run itself refuses it by its own words.
    """
    if site.subject == "ups":
        return _ups_facts(site, procedure=procedure)
    load, supply = site.bench.one("load"), site.bench.one("supply")
    pack, row = site.pack, site.pack.row
    out_it = max((step.amps for step in forecast.steps), default=0.0) / pack.rated_ah
    in_it = max((-step.amps for step in forecast.steps), default=0.0) / pack.rated_ah
    low, high = pack.bms_cell_low_volts, pack.bms_cell_high_volts
    judged = _judged(site, out_it=out_it, in_it=in_it if charging else 0.0)
    undeclared = _undeclared(site, judged)
    return Facts(
        procedure=procedure,
        lithium=site.lithium,
        charging=charging,
        rate_it=max(out_it, 0.0),
        charge_it=max(in_it, 0.0),
        rated_ah=pack.rated_ah,
        load=load.name if load else "",
        supply=supply.name if supply else "",
        load_stop=_load_stop(load),
        supply_stop=_supply_stop(supply),
        supply_watchdog=_watchdog(site, supply),
        load_watchdog=_watchdog(site, load),
        supply_ceiling=_ceiling(site, supply),
        bms=pack.bms,
        bms_low=low is not None and low >= row.never_below,
        bms_high=high is not None and high <= row.never_above,
        bms_hot=pack.bms_temp_max_c is not None and pack.bms_temp_max_c <= HOTTEST_C,
        fuse_amps=site.bench.fuse_amps,
        short_amps=_short_amps(site),
        lug_thermometer=_thermometer(site, "lug"),
        joint_seen=bool(judged) and not undeclared,
        leads_undeclared=undeclared,
        cut_outs=site.bench.cut_outs,
        never=_never(site, charging=charging, out_it=out_it, in_it=in_it),
    )


def _ups_facts(site: Site, *, procedure: str) -> Facts:
    """What is known of a run on a UPS, which is never left alone."""
    load, supply = site.bench.one("load"), site.bench.one("supply")
    return Facts(
        subject="ups",
        procedure=procedure,
        lithium=False,
        rate_it=0.0,
        load=load.name if load else "",
        supply=supply.name if supply else "",
        supply_stop=_supply_stop(supply),
        supply_watchdog=_watchdog(site, supply),
        load_watchdog=_watchdog(site, load),
        bms=False,
        fuse_amps=site.bench.fuse_amps,
        never=(site.envelope.attended_only,) if site.envelope.attended_only else (),
    )


def _short_amps(site: Site) -> float | None:
    """What a full pack drives through a short circuit, A; None where its resistance is not declared."""
    mohm = site.pack.resistance_mohm
    return 1000.0 * site.envelope.full_rest_v / mohm if mohm else None


def _never(site: Site, *, charging: bool, out_it: float, in_it: float) -> tuple[str, ...]:
    """What no barrier makes up for, with what to do about it."""
    env, found = site.envelope, []
    if env.attended_only:
        found.append(f"{env.attended_only}: give bms_cell_low_volts in the pack file if its BMS has it, else stay")
    if charging and env.charge_attended_only:
        found.append(f"{env.charge_attended_only}: charge it with somebody there, then --set charge_first=false")
    if not _thermometer(site, "pack"):
        found.append('no thermometer on the pack: add one with measures = "pack"')
    for doing, rate in (("discharge", out_it), ("charge", in_it if charging else 0.0)):
        if not rate <= MOST_IT * (1 + 1e-9):
            most = MOST_IT * site.pack.rated_ah
            found.append(f"{doing} at {rate:g} It: at most {MOST_IT:g} It ({most:.3g} A) is left alone")
    return tuple(found)


def _thermometer(site: Site, where: str) -> bool:
    return any(e.role == "thermometer" and e.measures == where for e in site.bench.instruments)


def _judged(site: Site, *, out_it: float, in_it: float) -> list[str]:
    """Roles whose leads ``lead-resistance`` must judge: of every instrument whose current is more than a joint bears
    unseen, or of each one used where none is. Empty where one of them has no voltmeter at each end."""
    rates = {role: rate for role, rate in (("load", out_it), ("supply", in_it)) if rate > 0}
    judged = {role: rate for role, rate in rates.items() if not rate <= GENTLE_IT * (1 + 1e-9)} or rates
    return list(judged) if all(_both_ends(site, role) for role in judged) else []


def _undeclared(site: Site, judged: list[str]) -> tuple[str, ...]:
    """Whose leads the bench file says nothing of: what is bad from the start is there the measure of itself, so that
    only what becomes worse is seen."""
    entries = (site.bench.one(role) for role in judged)
    return tuple(entry.name for entry in entries if entry is not None and entry.lead_ohm is None)


def _both_ends(site: Site, role: str) -> bool:
    """As ``harness/voltmeters.py`` compares: one voltmeter at the pack, another at the terminals of ``role``."""
    here, entry = volts_place(site.bench, subject="pack"), site.bench.one(role)
    if here is None or entry is None or not here.drop_known:
        return False
    at_the_pack = here.kind == "meter" or getattr(site.bench.one(here.kind), "sense", "") == "remote"
    far = {e.name for e in site.bench.all("meter") if e.measures == role}
    if entry.sense == "local":
        far.add(entry.name)
    return at_the_pack and bool(far - {here.name})


def _load_stop(entry: InstrumentEntry | None) -> str:
    if entry is None or not entry.own_low_volts_stop:
        return "undeclared"
    dialect = _dialect(entry)
    return "settable" if isinstance(dialect, LoadDialect) and dialect.low_volts is not None else "not settable"


def _supply_stop(entry: InstrumentEntry | None) -> str:
    if entry is None or not entry.own_over_volts_stop:
        return "undeclared"
    dialect = _dialect(entry)
    return "settable" if isinstance(dialect, SupplyDialect) and dialect.over_volts is not None else "not settable"


def _watchdog(site: Site, entry: InstrumentEntry | None) -> bool:
    dialect = None if entry is None else _dialect(entry)
    dog = dialect.watchdog if isinstance(dialect, SupplyDialect | LoadDialect) else None
    return dog is not None and usable(dog, period_s=site.bench.loop_period_s)


def _dialect(entry: InstrumentEntry) -> object:
    try:
        return load_dialect(entry.dialect)
    except DialectRefused:
        return None


def _ceiling(site: Site, supply: InstrumentEntry | None) -> bool:
    return supply is not None and supply.max_volts is not None and supply.max_volts <= site.envelope.never_above_v
