"""A pack of cells in series.

Not modelled: (being written; no BMS, no temperature change yet).
"""

from __future__ import annotations

from sims.bms import BmsSpec
from sims.cell import CellSpec, CellStart


class Pack:
    """Cells in series with a BMS. Amps > 0 leave the pack."""

    def __init__(
        self,
        *,
        cell: CellSpec,
        cells: tuple[CellStart, ...],
        bms: BmsSpec | None = None,
        r_bms: float = 0.01,
        temp_c: float = 25.0,
        reversed_: bool = False,
        asleep: bool = False,
    ) -> None:
        self.cell = cell
        self.r_bms = r_bms
        self.reversed_ = reversed_
        self.asleep = asleep
        self.z = [c.z0 for c in cells]
        self.v1 = [0.0 for _ in cells]
        self.v2 = [0.0 for _ in cells]
        self.temp_c_each = [temp_c for _ in cells]
        self.starts = cells

    @property
    def emf(self) -> float:
        ocv = self.cell.ocv
        total = sum(ocv.value(z) - a - b for z, a, b in zip(self.z, self.v1, self.v2, strict=True))
        return -total if self.reversed_ else total

    @property
    def ohms(self) -> float:
        return self.r_bms + sum(self.cell.r0 * s.r_factor for s in self.starts)

    def cell_volts(self, amps: float) -> list[float]:
        """Volts of each cell at this pack current."""
        c = self.cell
        return [
            c.ocv.value(z) - a - b - amps * c.r0 * s.r_factor
            for z, a, b, s in zip(self.z, self.v1, self.v2, self.starts, strict=True)
        ]

    def step(self, amps: float, h_s: float) -> None:
        import math

        c = self.cell
        e1, e2 = math.exp(-h_s / c.tau1_s), math.exp(-h_s / c.tau2_s)
        eta = c.coulombic if amps < 0 else 1.0
        for i, s in enumerate(self.starts):
            self.z[i] -= eta * amps * h_s / (3600.0 * c.capacity_ah * s.capacity_factor)
            self.v1[i] = amps * c.r1 * s.r_factor * (1 - e1) + self.v1[i] * e1
            self.v2[i] = amps * c.r2 * s.r_factor * (1 - e2) + self.v2[i] * e2
