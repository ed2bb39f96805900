"""UPS and site drawn at random for a seed, so that some of what comes out fits the pack and some does not.

The plain draw stays in bands that are plausible for small UPSs (common practice, no source). In more than half of the
draws one trouble is added, of the kind that makes people measure before they trust: a charger set too low or too high
for the new chemistry, one too strong for the pack, a floor that lies under the pack's own, a need longer than the pack
lasts, a load near the label, a cold place.

Not modelled: troubles that come in pairs; draws that depend on each other.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

from sims.ups_facts import SiteFacts, UpsFacts
from sims.ups_spec import UpsSpec

LEAD_CELL_V = 2.0

TROUBLES = (
    "none",
    "low ceiling",
    "high ceiling",
    "strong charger",
    "low floor",
    "long need",
    "heavy load",
    "cold place",
)
WEIGHTS = (7, 1, 1, 1, 1, 1, 1, 1)


def drawn_ups(
    ups: UpsFacts, site: SiteFacts, *, charge_amps_max: float, draw: random.Random
) -> tuple[UpsFacts, SiteFacts]:
    """UPS and site of one draw; ``charge_amps_max`` is the pack's limit, A. Ratings and names stay."""
    cells = round(ups.nominal_dc_volts / LEAD_CELL_V)
    (trouble,) = draw.choices(TROUBLES, WEIGHTS)
    spec, site = _plain(ups.spec, cells, draw.uniform), _plain_site(site, ups.rated_w, draw.uniform)
    uniform, charger = draw.uniform, spec.charger
    match trouble:
        case "low ceiling":
            spec = replace(spec, charger=replace(charger, float_v=cells * uniform(2.16, 2.205)))
        case "high ceiling":
            spec = replace(spec, charger=replace(charger, float_v=cells * uniform(2.38, 2.42)))
        case "strong charger":
            spec = replace(spec, charger=replace(charger, amps=charge_amps_max * uniform(1.1, 1.35)))
        case "low floor":
            spec = _with_floor(spec, cells * uniform(1.42, 1.52), cells)
        case "long need":
            site = replace(site, runtime_needed_min=round(site.runtime_needed_min * uniform(6.0, 9.0)))
        case "heavy load":
            site = replace(site, load_w_max=round(ups.rated_w * uniform(0.92, 0.98)))
        case "cold place":
            site = replace(site, ambient_min_c=round(uniform(-15.0, -4.0)))
    return replace(ups, spec=spec), site


Uniform = Callable[[float, float], float]


def _plain(spec: UpsSpec, cells: int, uniform: Uniform) -> UpsSpec:
    charger = spec.charger
    spec = _with_floor(spec, spec.cutoff_v + cells * uniform(-0.06, 0.06), cells)
    lift, hysteresis = spec.warn_v - spec.cutoff_v, spec.warn_release_v - spec.warn_v
    warn_v = spec.cutoff_v + lift * uniform(0.7, 1.4)
    share = uniform(0.96, 1.03)
    return replace(
        spec,
        warn_v=warn_v,
        warn_release_v=warn_v + hysteresis * uniform(0.7, 1.3),
        warn_hold_s=spec.warn_hold_s * uniform(0.6, 2.0),
        cutoff_hold_s=spec.cutoff_hold_s * uniform(0.6, 2.0),
        cutoff_fall_v=spec.cutoff_fall_v * uniform(0.6, 1.5),
        filter_tau_s=spec.filter_tau_s * uniform(0.5, 2.0),
        efficiency=tuple(min(0.97, one * share) for one in spec.efficiency),
        idle_w=spec.idle_w * uniform(0.6, 1.6),
        off_amps=spec.off_amps * uniform(0.75, 1.25),
        charger=replace(
            charger,
            float_v=charger.float_v + cells * uniform(-0.02, 0.02),
            amps=charger.amps * uniform(0.7, 1.4),
            ohms=charger.ohms * uniform(0.5, 2.0),
            delay_s=charger.delay_s * uniform(0.7, 1.5),
            ramp_s=charger.ramp_s * uniform(0.7, 1.5),
        ),
    )


def _with_floor(spec: UpsSpec, cutoff_v: float, cells: int) -> UpsSpec:
    """Everything that hangs on the floor moves with it."""
    moved = cutoff_v - spec.cutoff_v
    return replace(
        spec,
        cutoff_v=cutoff_v,
        uvlo_v=min(spec.uvlo_v, cutoff_v - spec.cutoff_fall_v - 0.1 * cells),
        warn_v=spec.warn_v + moved,
        warn_release_v=spec.warn_release_v + moved,
        restart_v=spec.restart_v + moved,
        start_v=spec.start_v + moved,
    )


def _plain_site(site: SiteFacts, rated_w: float, uniform: Uniform) -> SiteFacts:
    load_w = round(site.load_w * uniform(0.7, 1.3))
    most_w = min(round(site.load_w_max * uniform(0.8, 1.2)), round(0.9 * rated_w))
    return replace(
        site,
        load_w=load_w,
        load_w_max=max(most_w, load_w),
        runtime_needed_min=round(site.runtime_needed_min * uniform(0.6, 1.5)),
    )
