"""The solved circuit as a formula: pack current from the cells' voltage and resistance, while no piece is left.

Not modelled: see circuit.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from sims.circuit import Branch, Piece, amps_into_node, larger_root

STIFF_SIEMENS = 1e3
"""An element steeper than this gets its current as what the others leave: volts have too few digits for it."""

FLAT_SIEMENS = 1e-3
"""The pack current counts as constant over a step while it moves by less than this many amps per volt of the cells."""


class Flows(NamedTuple):
    """Currents, A, and volts at one instant as the node sees them (a reversed pack has negative volts and amps)."""

    pack_amps: float
    pack_volts: float
    node_volts: float
    supply_amps: float
    load_amps: float


class Law:
    """Currents and volts as functions of the cells' voltage at no current, V, and resistance, ohm."""

    __slots__ = (
        "_amps", "_balance", "_branch", "_load", "_local", "_others", "_r_pack", "_rest_volts", "_sensed", "_sign",
        "_sink", "_supply", "flat", "stiffness",
    )  # fmt: skip

    flat: bool
    """True when the pack current hardly depends on the cells: constant-current modes, or nothing but leaks."""

    stiffness: float
    """How the pack current follows the cells' volts, about, A/V."""

    def __init__(
        self, *, branch: Branch, sign: float, r_pack: float, pieces: Mapping[str, Piece], node_volts: float, ohms: float
    ) -> None:
        self._branch, self._sign, self._r_pack, self._rest_volts = branch, sign, r_pack, node_volts
        self._supply = [p for name, p in pieces.items() if name.startswith("supply")]
        self._load = [p for name, p in pieces.items() if name.startswith("load")]
        self._others = [p for name, p in pieces.items() if not name.startswith(("supply", "load"))]
        self._amps = math.fsum(p.amps for p in pieces.values())
        self._local = math.fsum(p.siemens for p in pieces.values())
        self._sensed = math.fsum(p.sense_siemens for p in pieces.values())
        self._sink = next((p for p in pieces.values() if p.watts > 0.0), None)
        steep = {name: p.siemens + p.sense_siemens for name, p in pieces.items() if name in ("supply", "load")}
        steepest = max(steep, key=steep.__getitem__, default="")
        self._balance = steepest if steep.get(steepest, 0.0) > STIFF_SIEMENS else ""
        inside = ohms if branch.through_cells else branch.ohms
        slope = 0.0
        if not math.isinf(inside):
            slope = (self._local + self._sensed) / self._damping(inside)
        self.flat = self._sink is None and slope <= FLAT_SIEMENS
        if self._sink is not None:
            slope += self._sink.watts / max(node_volts * node_volts, 1.0)
        self.stiffness = slope

    def _damping(self, inside: float) -> float:
        return 1.0 + self._local * (inside + self._r_pack) + self._sensed * inside

    def _pack(self, emf: float, ohms: float) -> tuple[float, float]:
        branch = self._branch
        inside = ohms if branch.through_cells else branch.ohms
        if inside == math.inf:
            return 0.0, self._rest_volts
        source = self._sign * emf + branch.shift
        damping = self._damping(inside)
        amps = ((self._local + self._sensed) * source - self._amps) / damping
        sink = self._sink
        if sink is not None:
            ohm = inside if sink.watts_sensed else inside + self._r_pack
            seen = larger_root(source - ohm * amps, (ohm / damping + sink.watts_ohm) * sink.watts)
            amps += sink.watts / seen / damping
        return amps, source - amps * inside

    def flows(self, emf: float, ohms: float) -> Flows:
        """Everything that flows with the cells at ``emf`` V behind ``ohms``."""
        amps, terminal = self._pack(emf, ohms)
        volts = terminal - amps * self._r_pack
        supply = load = 0.0
        for piece in self._supply:
            supply += amps_into_node(piece, volts, terminal)
        for piece in self._load:
            load -= amps_into_node(piece, volts, terminal)
        if self._balance:
            rest = amps + math.fsum(amps_into_node(p, volts, terminal) for p in self._others)
            if self._balance == "supply":
                supply = load - rest
            else:
                load = supply + rest
        return Flows(amps, terminal, volts, supply, load)

    def exact_volts(self) -> bool:
        """Do the cells set the terminal volts (and not the outside, the switches being open)?"""
        return self._branch.through_cells

    def shift(self) -> float:
        """Volts between cells and terminals beside their resistance (a diode), as the node sees it."""
        return self._branch.shift
