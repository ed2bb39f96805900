"""What a scenario says of its UPS: label, inner figures, the place where it is to work, and what the runs hang on it.

Not modelled: (this file holds figures only).
"""

from __future__ import annotations

from dataclasses import dataclass

from sims.ups_spec import UpsSpec


@dataclass(frozen=True, slots=True)
class UpsFacts:
    """The UPS: what its label says, V of the whole battery, VA, W, A (None where it does not say), and what it is."""

    name: str
    nominal_dc_volts: float
    blocks: int
    rated_va: float
    rated_w: float
    topology: str
    spec: UpsSpec
    serial: str = ""
    label_floor_v: float | None = None
    label_warn_v: float | None = None
    label_ceiling_v: float | None = None
    label_charge_a: float | None = None


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """Where the UPS is to work, W, min, degC, and whether somebody measured that or guessed."""

    load_w: float
    load_w_max: float
    runtime_needed_min: float
    ambient_min_c: float
    ambient_max_c: float
    measured: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class UpsPlanFacts:
    """The conditions under which the true figures of UPS and c-rate hold: W on the AC output; steps in It = rated Ah /
    1 h, each held for ``step_s`` after ``step_rest_s`` of rest, from a pack charged and rested as the plan says."""

    ac_load_w: float
    steps_it: tuple[float, ...] = (0.2, 0.5, 1.0, 2.0)
    step_s: float = 60.0
    step_rest_s: float = 120.0
