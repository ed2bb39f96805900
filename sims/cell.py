"""The cells of a pack: what they have in common, what sets each apart, and their state.

V = OCV(z) + M h - v1 - v2 - v3 - I R0, two RC branches, one hysteresis state, one lump of heat. Resistances follow
temperature by Arrhenius with f = 1 at 25 degC. The hysteresis state is dh/dt = -gamma |I| / C (h + sign I) (a published
one-state model, from memory).

Not modelled: entropic heat, ageing, heat flow between cells, diffusion in the solid, a change of the time constants
with temperature. The surface option (below) is ours: it only makes a full cell sink at rest, as is common practice to
expect (no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sims.ocv import LIFEPO4, Table

GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""

ZERO_C_IN_K = 273.15
REFERENCE_K = 298.15
LEAST_OHM = 1e-15
"""Stands for the resistance of an RC branch that is left out."""

SURFACE_FROM = 0.98
"""State of charge above which the voltage is an excess that sinks at rest (surface option)."""

SURFACE_SHARE = 0.005
"""Share of the capacity that, charged again, brings a sunk surface back."""


@dataclass(frozen=True, slots=True)
class CellSpec:
    """What all cells of a pack have in common. Ohm at 25 degC; amps > 0 discharge.

    capacity_ah Ah; r0, r1, r2 ohm; tau1_s, tau2_s s; ea_j_mol J/mol (0 = no change with temperature); coulombic is the
    share of charge current that is stored; hyst_volts V is half the rested gap; heat_j_per_k J/K (inf = temperature
    fixed), heat_loss_w_per_k W/K per cell; self_discharge_per_s 1/s; r0_scale multiplies r0 over state of charge;
    surface_tau_s s (0 = off) lets the excess voltage above 98 % sink at rest; bleed_volts V (inf = none) and bleed_ohm
    are the balancer's.
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

    def __deepcopy__(self, memo: object) -> CellSpec:
        return self


@dataclass(frozen=True, slots=True)
class CellStart:
    """One cell's own figures: state of charge at first, factors of its capacity, of r0 and of r1 and r2, hysteresis
    state -1..+1."""

    z0: float = 0.5
    capacity_factor: float = 1.0
    r_factor: float = 1.0
    rc_factor: float = 1.0
    h0: float = 0.0


@dataclass(slots=True)
class Cells:
    """State of all cells, one list entry each. Volts, kelvin, ohm, watt."""

    z: list[float]
    v1: list[float]
    v2: list[float]
    v3: list[float]
    """Surface excess that has sunk, V (surface option)."""
    hyst: list[float]
    kelvin: list[float]
    ocv: list[float]
    """Volts of the table at this state of charge."""
    emf: list[float]
    """Volts at no current, this instant."""
    ohms: list[float]
    """Resistance at once, at this temperature and state of charge."""
    factor: list[float]
    """Arrhenius factor at this temperature."""
    watts: list[float]
    """Heat being made; a prediction from the last step."""
    bled: list[float]
    """Balancing current of each cell, A, on top of the pack's."""


class CellModel:
    """The cells' constants and what follows from their state."""

    def __init__(self, spec: CellSpec, starts: Sequence[CellStart]) -> None:
        if not starts:
            raise ValueError("pack: no cells given; a pack has one or more")
        for n, s in enumerate(starts):
            if not 0.0 <= s.z0 <= 1.0:
                raise ValueError(f"pack: cell {n + 1} starts at state of charge {s.z0}; it lies in 0..1")
        self.spec = spec
        self.starts = tuple(starts)
        self.coulombs = [3600.0 * spec.capacity_ah * s.capacity_factor for s in starts]
        self.r0 = [spec.r0 * s.r_factor for s in starts]
        self.r1 = [max(spec.r1 * s.rc_factor, LEAST_OHM) for s in starts]
        self.r2 = [max(spec.r2 * s.rc_factor, LEAST_OHM) for s in starts]
        self.each = list(zip(self.coulombs, self.r0, self.r1, self.r2, strict=True))
        self.warms = math.isfinite(spec.heat_j_per_k)
        self.arrhenius_k = spec.ea_j_mol / GAS_CONSTANT
        self.surface = spec.surface_tau_s > 0.0
        self.surface_volts = spec.ocv.value(SURFACE_FROM)
        # A table that only rises has no excess below.
        self._no_excess_to = SURFACE_FROM if min(spec.ocv.slopes) >= 0.0 else -math.inf
        self.surface_most = spec.ocv.value(1.0) - self.surface_volts
        for table in (spec.ocv, spec.r0_scale):
            if table is not None and not (table.at[0] <= 0.0 and table.at[-1] >= 1.0):
                raise ValueError(f"pack: a table runs from {table.at[0]} to {table.at[-1]}; it must cover 0..1")
        nodes = spec.ocv.at if spec.r0_scale is None else spec.ocv.at + spec.r0_scale.at
        self.table_nodes = tuple(sorted(set(nodes)))

    def __deepcopy__(self, memo: object) -> CellModel:
        return self

    def begin(self, temp_c: float) -> Cells:
        """Rested cells at ``temp_c`` degC; with the surface option a full cell has sunk already."""
        n = len(self.starts)
        z = [s.z0 for s in self.starts]
        sunk = [self.excess(x) if self.surface else 0.0 for x in z]
        kelvin = [temp_c + ZERO_C_IN_K] * n
        zeros = [0.0] * n
        hyst = [s.h0 for s in self.starts]
        cells = Cells(z, zeros[:], zeros[:], sunk, hyst, kelvin, [], [], [], [], zeros[:], zeros[:])
        self.refresh(cells)
        return cells

    def excess(self, z: float) -> float:
        """Volts of the table above its value at 98 %, never negative."""
        return 0.0 if z <= self._no_excess_to else max(self.spec.ocv.value(z) - self.surface_volts, 0.0)

    def f(self, kelvin: float) -> float:
        """Arrhenius factor of the resistances, 1 at 25 degC."""
        return math.exp(self.arrhenius_k * (1.0 / kelvin - 1.0 / REFERENCE_K))

    def refresh(self, c: Cells) -> None:
        """Bring what follows from the state (emf, ohms, factor) up to date."""
        value, m, scale = self.spec.ocv.value, self.spec.hyst_volts, self.spec.r0_scale
        if self.warms or not c.factor:
            c.factor = [self.f(t) for t in c.kelvin]
        c.ohms = [r * f for r, f in zip(self.r0, c.factor, strict=True)]
        if scale is not None:
            c.ohms = [r * scale.value(z) for r, z in zip(c.ohms, c.z, strict=True)]
        c.ocv = [value(z) for z in c.z]
        c.emf = [
            ocv + m * h - v1 - v2 - v3 - b * r
            for ocv, h, v1, v2, v3, b, r in zip(c.ocv, c.hyst, c.v1, c.v2, c.v3, c.bled, c.ohms, strict=True)
        ]

    def heat(self, c: Cells, amps: float) -> list[float]:
        """Heat made in each cell with ``amps`` through the pack, W."""
        return [
            (amps + b) ** 2 * r + v1 * v1 / (r1 * f) + v2 * v2 / (r2 * f)
            for r, v1, v2, r1, r2, f, b in zip(c.ohms, c.v1, c.v2, self.r1, self.r2, c.factor, c.bled, strict=True)
        ]

    def cooling(self, h_s: float) -> tuple[float, float]:
        """Share of the excess over the room lost in ``h_s``, and kelvin won per watt made meanwhile."""
        loss, store = self.spec.heat_loss_w_per_k, self.spec.heat_j_per_k
        cooled = -math.expm1(-h_s * loss / store)
        return cooled, cooled / loss if loss > 0.0 else h_s / store

    def stored_heat(self, kelvin: float) -> float:
        """Heat that warms a cell by ``kelvin``, J; none when its temperature is fixed."""
        return self.spec.heat_j_per_k * kelvin if self.warms else 0.0

    def off_node(self, c: Cells, pieces: Sequence[tuple[float, float]]) -> float:
        """How far any cell has left the straight piece of the tables it was on; <= 0 while none has."""
        return max(max(low - z, z - high) for z, (low, high) in zip(c.z, pieces, strict=True))

    def fastest_s(self, stiffness: float) -> float:
        """Fastest time constant, s, when the current follows the cells' volts with ``stiffness`` A/V."""
        slope = max(abs(x) for x in self.spec.ocv.slopes)
        rate = abs(stiffness) * sum(slope / q for q in self.coulombs)
        taus = [self.spec.tau1_s, self.spec.tau2_s]
        return min(taus if rate == 0.0 else [*taus, 1.0 / rate])

    def straight_pieces(self, c: Cells) -> list[tuple[float, float]]:
        """The straight piece of the tables each cell is on, as state of charge from and to."""
        return [self._piece(z) for z in c.z]

    def _piece(self, z: float) -> tuple[float, float]:
        nodes = self.table_nodes
        low = max((n for n in nodes if n <= z), default=-math.inf)
        high = min((n for n in nodes if n > z), default=math.inf)
        return low, high
