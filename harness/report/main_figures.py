"""Which figures of a run stand in large letters, and get bars of what makes them uncertain."""

from __future__ import annotations

from collections.abc import Mapping

from harness.result import Figure

MAIN = (
    "capacity_ah",
    "capacity_wh",
    "retained_share",
    "charge_in_ah",
    "charge_in_wh",
    "cv_s",
    "held_a_max",
    "held_it_max",
    "floor_v",
    "warn_v",
    "dc_w",
    "latched",
    "ceiling_v",
    "charge_a",
    "charger_r_ohm",
    "open_v",
)
"""In this order; what a run was made for comes first of its own."""

MOST = 5


def main_figures(figures: Mapping[str, Figure]) -> dict[str, Figure]:
    """Those there are, at most five; of a run that has none of them, the first it has."""
    found = {name: figures[name] for name in MAIN if name in figures}
    return dict(list((found or figures).items())[:MOST])
