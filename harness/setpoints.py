"""Whether a set-point lies within what pack, fuse, leads and instrument bear. Written so that nan is refused."""

from __future__ import annotations

from harness.errors import PlanRefused
from harness.site import Site

LEAST_AMPS = 0.020
"""Least current that is set, A: the least that is ever told from no current."""


def check_source(site: Site, *, volts: float, amps: float) -> None:
    """Raise ``PlanRefused`` when the supply must not be set to ``volts`` (V) and ``amps`` (A)."""
    env, entry = site.envelope, site.bench.one("supply")
    assert entry is not None
    if env.charge_refused:
        raise PlanRefused(f"plan: no charge: {env.charge_refused}")
    _within("charge volts", volts, env.target_v, "V", "the pack's charge target")
    _within("charge amps", amps, env.charge_amps_max, "A", env.charge_amps_from)
    _within("charge volts", volts, entry.max_volts, "V", f"max_volts of {entry.name}")
    _within("charge amps", amps, entry.max_amps, "A", f"max_amps of {entry.name}")


def check_sink(site: Site, *, amps: float) -> None:
    """Raise ``PlanRefused`` when the load must not be set to ``amps`` (A)."""
    env, entry = site.envelope, site.bench.one("load")
    assert entry is not None
    _within("discharge amps", amps, env.amps_max, "A", env.amps_from)
    _within("discharge amps", amps, entry.max_amps, "A", f"max_amps of {entry.name}")
    _within("discharge power of a full pack", amps * env.target_v, entry.max_watts, "W", f"max_watts of {entry.name}")


def check_stand_in(site: Site, *, volts: float, amps: float) -> None:
    """Raise ``PlanRefused`` when the supply must not stand in for a UPS's battery at ``volts`` (V), ``amps`` (A)."""
    env, entry = site.envelope, site.bench.one("supply")
    assert entry is not None
    if not volts >= env.cut_off_v * (1 - 1e-9):
        raise PlanRefused(f"plan: {volts:g} V: the lowest level of this plan is {env.cut_off_v:g} V; ask for more")
    _within("volts in place of the battery", volts, env.target_v, "V", "the highest level of this plan")
    _within("current limit", amps, env.charge_amps_max, "A", env.charge_amps_from)
    _within("volts in place of the battery", volts, entry.max_volts, "V", f"max_volts of {entry.name}")
    _within("current limit", amps, entry.max_amps, "A", f"max_amps of {entry.name}")


def check_trace(site: Site, *, volts: float, amps: float) -> None:
    """Raise ``PlanRefused`` when the load must not take a UPS's charger at ``volts`` (V) and up to ``amps`` (A)."""
    env, entry = site.envelope, site.bench.one("load")
    assert entry is not None
    _within("volts of the load", volts, env.high_v, "V", "what a battery of this UPS may come to")
    _within("charger current", amps, env.amps_max, "A", env.amps_from)
    _within("charger current", amps, entry.max_amps, "A", f"max_amps of {entry.name}")
    _within("power of the charger", amps * env.high_v, entry.max_watts, "W", f"max_watts of {entry.name}")


def _within(what: str, value: float, limit: float | None, unit: str, whose: str) -> None:
    if limit is None:
        limit = float("inf")
    if unit == "A" and not value >= LEAST_AMPS:
        raise PlanRefused(
            f"plan: {what} = {value:g} A: at least {1000 * LEAST_AMPS:g} mA, less cannot be told from no current; "
            "ask for more"
        )
    # Rounding of a product must not refuse a value that is the limit itself.
    if not 0 < value <= limit * (1 + 1e-9):
        raise PlanRefused(f"plan: {what} = {value:g} {unit}: the limit is {limit:g} {unit} ({whose}); ask for less")
