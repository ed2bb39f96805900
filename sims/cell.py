"""One cell: what it is (``CellSpec``) and what sets it apart from its neighbours (``CellStart``).

Not modelled: entropic heat, ageing, heat flow between cells, diffusion in the solid, a change of the time constants with
temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sims.ocv import LIFEPO4, Table


@dataclass(frozen=True, slots=True)
class CellSpec:
    """What all cells of a pack have in common. Ohm at 25 degC; amps > 0 discharge.

    capacity_ah Ah; r0, r1, r2 ohm; tau1_s, tau2_s s; ea_j_mol J/mol (0 = no change with temperature); coulombic is the
    share of charge current that is stored; hyst_volts V is half the rested gap; heat_j_per_k J/K (inf = temperature
    fixed), heat_loss_w_per_k W/K per cell; self_discharge_per_s 1/s; r0_scale multiplies r0 over state of charge;
    surface_tau_s s (0 = off) lets the excess voltage above 98 % sink at rest; bleed_volts V and bleed_ohm are the
    balancer (inf = none).
    """

    ocv: Table = LIFEPO4
    capacity_ah: float = 10.0
    r0: float = 0.0035
    r1: float = 0.0015
    tau1_s: float = 20.0
    r2: float = 0.0025
    tau2_s: float = 400.0
    ea_j_mol: float = 20000.0
    coulombic: float = 0.998
    hyst_volts: float = 0.008
    hyst_gamma: float = 60.0
    heat_j_per_k: float = 280.0
    heat_loss_w_per_k: float = 0.1
    self_discharge_per_s: float = 0.0
    r0_scale: Table | None = None
    surface_tau_s: float = 0.0
    bleed_volts: float = math.inf
    bleed_ohm: float = 40.0


@dataclass(frozen=True, slots=True)
class CellStart:
    """One cell's own figures: state of charge at the start, capacity and resistance factors, hysteresis state -1..+1."""

    z0: float = 0.5
    capacity_factor: float = 1.0
    r_factor: float = 1.0
    h0: float = 0.0
