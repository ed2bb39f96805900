"""The solved circuit as a formula: pack current from the cells' voltage and resistance, while no piece is left.

Not modelled: see circuit.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from sims.circuit import Branch, Piece, Sense, amps_into_node, larger_root, largest_root

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
    ups_amps: float = 0.0


class Law:
    """Currents and volts as functions of the cells' voltage at no current, V, and resistance, ohm."""

    __slots__ = (
        "_amps", "_balance", "_branch", "_load", "_local", "_others", "_r_pack", "_rest_volts", "_sensed", "_sign",
        "_sink", "_sinks", "_supply", "_ups", "flat", "ramp", "stiffness",
    )  # fmt: skip

    flat: bool
    """True when the pack current hardly depends on the cells: constant-current modes, or nothing but leaks."""

    ramp: float
    """How fast the current that flows into the node by itself rises, A/s (a charger's soft start)."""

    stiffness: float
    """How the pack current follows the cells' volts, about, A/V."""

    def __init__(
        self,
        *,
        branch: Branch,
        sign: float,
        r_pack: float,
        pieces: Mapping[str, Piece],
        node_volts: float,
        ohms: float,
        ramp: float = 0.0,
    ) -> None:
        self.ramp = ramp
        self._branch, self._sign, self._r_pack, self._rest_volts = branch, sign, r_pack, node_volts
        self._supply = [p for name, p in pieces.items() if name.startswith("supply")]
        self._load = [p for name, p in pieces.items() if name.startswith("load")]
        self._ups = [p for name, p in pieces.items() if name == "ups"]
        self._others = [p for name, p in pieces.items() if not name.startswith(("supply", "load", "ups"))]
        self._amps = math.fsum(p.amps for p in pieces.values())
        self._local = math.fsum(p.siemens for p in pieces.values())
        self._sensed = math.fsum(p.sense_siemens for p in pieces.values())
        self._sinks = [p for p in pieces.values() if p.watts > 0.0]
        self._sink = self._sinks[0] if self._sinks else None
        steep = {name: p.siemens + p.sense_siemens for name, p in pieces.items() if name in ("supply", "load", "ups")}
        steepest = max(steep, key=steep.__getitem__, default="")
        self._balance = steepest if steep.get(steepest, 0.0) > STIFF_SIEMENS else ""
        inside = ohms if branch.through_cells else branch.ohms
        slope = 0.0
        if not math.isinf(inside):
            slope = (self._local + self._sensed) / self._damping(inside)
        self.flat = self._sink is None and slope <= FLAT_SIEMENS and ramp == 0.0
        if self._sinks:
            slope += math.fsum(p.watts for p in self._sinks) / max(node_volts * node_volts, 1.0)
        self.stiffness = slope

    def _damping(self, inside: float) -> float:
        return 1.0 + self._local * (inside + self._r_pack) + self._sensed * inside

    def _pack(self, emf: float, ohms: float, more: float) -> tuple[float, float]:
        """Pack current and terminal volts, ``more`` amps flowing into the node than at first."""
        branch = self._branch
        inside = ohms if branch.through_cells else branch.ohms
        if inside == math.inf:
            return 0.0, self._rest_volts if more == 0.0 else self._moved(more)
        source = self._sign * emf + branch.shift
        if len(self._sinks) > 1:
            return self._shared(source, inside, more)
        damping = self._damping(inside)
        amps = ((self._local + self._sensed) * source - self._amps - more) / damping
        sink = self._sink
        if sink is not None:
            ohm = inside if sink.watts_sensed else inside + self._r_pack
            seen = larger_root(source - ohm * amps, (ohm / damping + sink.watts_ohm) * sink.watts)
            amps += sink.watts / seen / damping
        return amps, source - amps * inside

    def _shared(self, source: float, inside: float, more: float) -> tuple[float, float]:
        """The same where several constant powers share the node."""
        total = inside + self._r_pack
        sense = Sense(inside / total, source * self._r_pack / total)
        amps = source / total + self._amps + more - sense.beta * self._sensed
        siemens = 1.0 / total + self._local + sense.alpha * self._sensed
        volts = largest_root(self._sinks, sense, amps, siemens)
        volts = self._rest_volts if volts is None else volts
        return (source - volts) / total, sense.alpha * volts + sense.beta

    def _moved(self, more: float) -> float:
        """Node volts without a pack once ``more`` amps flow into it."""
        siemens = self._local + self._sensed
        if siemens == 0.0:
            return self._rest_volts
        if not self._sinks:
            return self._rest_volts + more / siemens
        volts = largest_root(self._sinks, Sense(), self._amps + more, siemens)
        return self._rest_volts if volts is None else volts

    def flows(self, emf: float, ohms: float, after_s: float = 0.0) -> Flows:
        """Everything that flows with the cells at ``emf`` V behind ``ohms``, ``after_s`` s after this was solved."""
        more = self.ramp * after_s
        amps, terminal = self._pack(emf, ohms, more)
        volts = terminal - amps * self._r_pack
        supply = load = ups = 0.0
        for piece in self._supply:
            supply += amps_into_node(piece, volts, terminal)
        for piece in self._load:
            load -= amps_into_node(piece, volts, terminal)
        for piece in self._ups:
            ups -= amps_into_node(piece, volts, terminal) + more
        if self._balance:
            rest = amps + math.fsum(amps_into_node(p, volts, terminal) for p in self._others)
            if self._balance == "supply":
                supply = load - rest + ups
            elif self._balance == "load":
                load = supply + rest - ups
            else:
                ups = supply + rest - load
        return Flows(amps, terminal, volts, supply, load, ups)

    def exact_volts(self) -> bool:
        """Do the cells set the terminal volts (and not the outside, the switches being open)?"""
        return self._branch.through_cells

    def shift(self) -> float:
        """Volts between cells and terminals beside their resistance (a diode), as the node sees it."""
        return self._branch.shift
