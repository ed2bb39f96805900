"""What an instrument is told before its output is switched on: its own stop first, then what it is to do."""

from __future__ import annotations

from collections.abc import Callable

from drivers.load import Load
from drivers.supply import Supply
from harness.errors import PreflightRefused
from harness.instrument_entry import InstrumentEntry
from harness.limits import own_low_stop_volts
from harness.rig import Rig
from harness.site import Site

LOW_STOP_DELAY_S = 1.0
"""The load's own stop waits this long, so that a dip at switch-on does not end a run."""

Note = Callable[..., None]


def need_supply(rig: Rig) -> tuple[str, Supply]:
    """The supply and its name. Raises ``PreflightRefused`` without one, or without a thermometer on the pack."""
    if rig.supply is None or rig.supply_name is None:
        raise PreflightRefused('bench: no instrument with role = "supply"; add one to charge with')
    if rig.temp_name is None:
        raise PreflightRefused(
            'bench: no thermometer with measures = "pack"; a pack is never charged without one: add one, '
            "or charge the pack by other means and run capacity with --set charge_first=false"
        )
    return rig.supply_name, rig.supply


def need_load(rig: Rig) -> tuple[str, Load]:
    """The load and its name. Raises ``PreflightRefused`` without one."""
    if rig.load is None or rig.load_name is None:
        raise PreflightRefused('bench: no instrument with role = "load"; add one to discharge with')
    return rig.load_name, rig.load


def need_stand_in(rig: Rig) -> tuple[str, Supply]:
    """The supply that stands in for a UPS's battery, and its name. Raises ``PreflightRefused`` without one."""
    if rig.supply is None or rig.supply_name is None:
        raise PreflightRefused('bench: no instrument with role = "supply"; add one to stand in for the battery')
    return rig.supply_name, rig.supply


def too_cold_or_warm(site: Site, *, phase: str, temp_c: float) -> str | None:
    """Words when the pack must not be charged (``source``) or discharged (``sink``) at ``temp_c`` (degC), or ``None``.

    At rest a wider band holds; what is about to begin is judged by its own, before it is switched on.
    """
    env = site.envelope
    if phase not in ("source", "sink"):
        return None  # no pack is charged or discharged
    charging = phase == "source"
    if temp_c != temp_c:
        return "no reading of the pack's temperature" if charging else None
    low = env.charge_temp_min_c if charging else env.discharge_temp_min_c
    high = env.charge_temp_max_c if charging else env.discharge_temp_max_c
    if low <= temp_c <= high:
        return None
    doing = "charge" if charging else "discharge"
    return f"pack at {temp_c:.1f} degC, {doing} allowed from {low:g} to {high:g} degC"


def arm_supply(supply: Supply, *, site: Site, note: Note, volts: float, amps: float) -> None:
    """Sense leads as wired, no sinking, over-volts stop, then current, then volts (V, A), each read back.

    Raises what the driver raises, and ``PreflightRefused`` when a stop the bench file claims cannot be set.
    """
    entry = site.bench.one("supply")
    _sense_as_wired(supply, entry, note)
    if supply.dialect.sink_amps is not None:
        # A supply that can sink would drain a pack that stands above its set volts.
        note("limit change", instrument=supply.name, sink_amps=supply.arm_sink(amps=0.0))
    if supply.dialect.over_volts is None and entry is not None and entry.own_over_volts_stop:
        raise PreflightRefused(
            f"{supply.name}: own_over_volts_stop = true, but dialect {supply.dialect.name} cannot set one; add "
            "[over_volts] to the dialect, or write own_over_volts_stop = false and stay with the run"
        )
    if supply.dialect.over_volts is None:
        note("note", text=f"{supply.name} has no over-volts stop of its own: this run must be watched")
    else:
        stop = supply.arm_over_volts(volts=site.envelope.over_v)
        note("limit change", instrument=supply.name, own_over_volts_stop=stop)
    supply.set_amps(amps=amps)
    supply.set_volts(volts=volts)


def _sense_as_wired(driver: Supply | Load, entry: InstrumentEntry | None, note: Note) -> None:
    """Four-wire sensing as the bench file says it is wired: with the leads there and the setting off, volts are read a
    lead's drop away from where everybody thinks; with the setting on and no leads an output runs up."""
    if driver.dialect.sense is None or entry is None:
        return
    wanted = entry.sense == "remote"
    if driver.senses_remotely() is not wanted:
        driver.set_sense(remote=wanted)
        note("limit change", instrument=driver.name, sense=entry.sense)


def arm_trace(load: Load, *, note: Note, volts: float) -> None:
    """The load as a battery: constant ``volts``. Its own low-volts stop is laid down, since there is no pack to be
    guarded and it would end the trace.

    Raises what the driver raises; ``Unsupported`` for a load that cannot hold volts.
    """
    if load.dialect.low_volts is not None:
        note("limit change", instrument=load.name, own_low_volts_stop=load.arm_low_volts(volts=0.0))
    load.set_function("cv")
    load.set_volts(volts=volts)


def arm_load(load: Load, *, site: Site, note: Note, amps: float) -> None:
    """Constant current of ``amps`` (A), then the load's own low-volts stop, each read back.

    Raises what the driver raises, and ``PlanRefused`` when the leads drop too much for a stop to make sense.
    """
    entry = site.bench.one("load")
    assert entry is not None
    stop = own_low_stop_volts(site.envelope, lead_ohm=entry.lead_ohm or 0.0, amps=amps, sense=entry.sense)
    if entry.own_low_volts_stop and load.dialect.low_volts is None:
        raise PreflightRefused(
            f"{load.name}: own_low_volts_stop = true, but dialect {load.dialect.name} cannot set one; add [low_volts] "
            "to the dialect, or write own_low_volts_stop = false and stay with the run"
        )
    _sense_as_wired(load, entry, note)
    load.set_function("cc")
    load.set_amps(amps=amps)
    if not entry.own_low_volts_stop:
        note("note", text=f"{entry.name} has no low-volts stop of its own: this run must be watched")
        return
    held = load.arm_low_volts(volts=stop, delay_s=LOW_STOP_DELAY_S)
    note("limit change", instrument=entry.name, own_low_volts_stop=held)
