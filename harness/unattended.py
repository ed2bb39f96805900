"""What must hold before a run may be left alone, as far as files can tell."""

from __future__ import annotations

from harness.errors import PreflightRefused
from harness.procedure import Forecast
from harness.site import Site

MOST_IT = 0.5
"""Highest discharge rate left alone by default (judgement)."""


def obstacles(site: Site, *, charging: bool, forecast: Forecast) -> tuple[str, ...]:
    """Why this run needs somebody there, each with the cheapest thing that would mend it; empty when it may be left.

    The rate is that of the forecast's largest current out of the pack: keys of plans differ, currents do not.
    """
    bench, env = site.bench, site.envelope
    load, supply = bench.one("load"), bench.one("supply")
    found = []
    if env.attended_only:
        found.append(env.attended_only)
    if charging and env.charge_attended_only:
        found.append(env.charge_attended_only)
    if bench.fuse_amps is None:
        found.append("no DC fuse: fit one at the pack terminal and write fuse_amps in the bench file")
    if load is not None and not load.own_low_volts_stop:
        found.append(
            f"{load.name} has no low-volts stop of its own: use a load with one and write own_low_volts_stop = true"
        )
    if charging and supply is not None and not supply.own_over_volts_stop:
        found.append(f"{supply.name} has no over-volts stop of its own: write own_over_volts_stop = true if it has")
    if charging and not site.pack.bms:
        found.append("charging a pack without BMS: charge it attended, then --set charge_first=false")
    rate = max((step.amps for step in forecast.steps), default=0.0) / env.rated_ah
    if not rate <= MOST_IT * (1 + 1e-9):
        found.append(f"discharge at {rate:g} It: at most {MOST_IT:g} It is left alone")
    return tuple(found)


def refuse_unattended(site: Site, *, charging: bool, forecast: Forecast) -> None:
    """Raise ``PreflightRefused`` with the first obstacle and how many more there are."""
    found = obstacles(site, charging=charging, forecast=forecast)
    if found:
        more = f" (and {len(found) - 1} more: `nightbench check --unattended` lists them)" if len(found) > 1 else ""
        raise PreflightRefused(f"--unattended: {found[0]}{more}")
