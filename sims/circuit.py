"""The shared node: where the leads of supply, load and pack meet.

Every element is a set of straight pieces of current over node volts, falling as volts rise, so that the node has one
solution; constant-power sinks add rising pieces, and then the solution with the largest volts counts (below it the node
is unstable with any real input capacitor). The solver walks the kinks from the top down and takes the first root
that lies inside its piece.

Not modelled: lead inductance, anything at the node that stores charge (a supply's output capacitor is the supply's).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from sims.events import NODE_VOLTS, Watch

MOST_NEWTON_STEPS = 60
LEAST_OHM = 1e-7
"""Regulators without a resistance of their own get this one, so that every piece has a finite slope."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Amps into the node = amps - siemens x node volts - sense_siemens x pack terminal volts - watts / u.

    u is what the sink sees: the pack's terminals when ``watts_sensed``, else node volts less watts_ohm x its amps.
    Valid for node volts from v_low to v_high. ``watches`` are the figures that tell when the piece is left.
    """

    name: str
    v_low: float = -math.inf
    v_high: float = math.inf
    amps: float = 0.0
    siemens: float = 0.0
    sense_siemens: float = 0.0
    watts: float = 0.0
    watts_ohm: float = 0.0
    watts_sensed: bool = False
    watches: tuple[Watch, ...] = ()


Element = Sequence[Piece]


def slack_amps(volts: float, ohms: float) -> float:
    """How far the current behind ``ohms`` is off when the volts are off in their last digits, A.

    A regulator is left only when its current is beyond its limit by more than this; else solver and watch disagree.
    """
    return 16.0 * math.ulp(volts) / ohms


def slack_volts(volts: float, ohms: float) -> float:
    """The same from the other side: how far beyond a regulator's set volts the circuit may be before it is taken on, V.

    Counted for a circuit of 0.1 ohm around it, which is more than packs and leads have.
    """
    return 0.1 * slack_amps(volts, ohms)


@dataclass(frozen=True, slots=True)
class Branch:
    """The pack as the node sees it: emf V behind ohms (inf = nothing), for terminal volts from v_low to v_high."""

    name: str
    emf: float
    ohms: float
    v_low: float = -math.inf
    v_high: float = math.inf
    shift: float = 0.0
    """What is in ``emf`` beside the cells: a diode, V."""
    through_cells: bool = True
    """False when ``ohms`` is the leak of open switches and not the cells' own resistance."""
    watches: tuple[Watch, ...] = ()


@dataclass(frozen=True, slots=True)
class Sense:
    """Pack terminal volts as a straight line of node volts: alpha x V + beta."""

    alpha: float = 1.0
    beta: float = 0.0

    def node_volts(self, terminal_volts: float) -> float:
        """Node volts at which the pack's terminals have ``terminal_volts``."""
        return (terminal_volts - self.beta) / self.alpha


def sense_of(branch: Branch, r_pack: float) -> Sense:
    """How the pack's terminals follow the node, r_pack ohm being in between."""
    total = branch.ohms + r_pack
    if math.isinf(total) or total == 0.0:
        return Sense()
    return Sense(branch.ohms / total, branch.emf * r_pack / total)


def diode_clamp(name: str, *, volts: float, ohms: float) -> Element:
    """Conducts into the node below ``volts`` (a clamp against reversed polarity)."""
    return (
        Piece(name, v_low=volts, watches=((NODE_VOLTS, volts, math.inf),)),
        Piece(
            name, v_high=volts, amps=volts / ohms, siemens=1.0 / ohms, watches=((NODE_VOLTS, -math.inf, volts),)
        ),
    )  # fmt: skip


def amps_into_node(piece: Piece, volts: float, terminal_volts: float) -> float:
    """Current of this piece into the node, A, at node volts and pack terminal volts."""
    amps = piece.amps - piece.siemens * volts - piece.sense_siemens * terminal_volts
    if piece.watts > 0.0:
        if piece.watts_sensed:
            return amps - piece.watts / terminal_volts
        return amps - piece.watts / larger_root(volts, piece.watts_ohm * piece.watts)
    return amps


def larger_root(a: float, b: float) -> float:
    """Larger u with u^2 - a u + b = 0; a / 2, where the two meet, when there is none."""
    return 0.5 * (a + math.sqrt(max(a * a - 4.0 * b, 0.0)))


def _root(pieces: Sequence[Piece], sense: Sense, amps: float, siemens: float) -> float | None:
    """Node volts where these pieces together with ``amps`` - ``siemens`` x V balance, or None."""
    sink: Piece | None = None
    sinks = 0
    for p in pieces:
        amps += p.amps - sense.beta * p.sense_siemens
        siemens += p.siemens + sense.alpha * p.sense_siemens
        if p.watts > 0.0:
            sink, sinks = p, sinks + 1
    if sinks > 1:
        return largest_root([p for p in pieces if p.watts > 0.0], sense, amps, siemens)
    if siemens == 0.0:
        return 0.0 if amps == 0.0 and sink is None else None
    if sink is None:
        return amps / siemens
    alpha, beta, ohm = (sense.alpha, sense.beta, 0.0) if sink.watts_sensed else (1.0, 0.0, sink.watts_ohm)
    a, b = alpha * amps / siemens + beta, (alpha / siemens + ohm) * sink.watts
    if a < 0.0 or a * a < 4.0 * b:
        return None
    return (amps - sink.watts / larger_root(a, b)) / siemens


def largest_root(sinks: Sequence[Piece], sense: Sense, amps: float, siemens: float) -> float | None:
    """Largest node volts where ``amps`` - ``siemens`` x V feeds several constant powers, or None.

    What is left over is concave in V, so Newton's steps from the right never jump over the largest root.
    """
    if siemens <= 0.0 or amps <= 0.0:
        return None
    volts = amps / siemens
    for _ in range(MOST_NEWTON_STEPS):
        left, slope = amps - siemens * volts, -siemens
        for p in sinks:
            a, slant = (sense.alpha * volts + sense.beta, sense.alpha) if p.watts_sensed else (volts, 1.0)
            drop = 0.0 if p.watts_sensed else p.watts_ohm * p.watts
            if a <= 0.0 or a * a <= 4.0 * drop:
                return None
            u = larger_root(a, drop)
            left -= p.watts / u
            slope += p.watts / (u * u) * slant * (u / (2.0 * u - a))
        if slope >= 0.0:
            return None
        step = left / slope
        volts -= step
        if abs(step) <= 4e-16 * abs(volts):
            return volts
        if step < 0.0:  # only rounding makes it turn back
            return volts if abs(step) <= 1e-9 * abs(volts) else None
    return volts


def _at(element: Element, volts: float) -> Piece:
    for piece in element:
        if piece.v_low <= volts <= piece.v_high:
            return piece
    # Two neighbours' shared kink may differ in the last digit: the nearer one then reaches over.
    return min(element, key=lambda p: max(p.v_low - volts, volts - p.v_high))


def solve(branch: Branch, *, r_pack: float, elements: Sequence[Element]) -> tuple[float, tuple[Piece, ...]] | None:
    """Largest node volts, V, at which all currents add up to nothing with the pack on ``branch``, and the pieces used.

    None when there is none within the branch's own range; the branch of higher volts is to be asked first. The order of
    the elements does not matter.
    """
    sense = sense_of(branch, r_pack)
    total = branch.ohms + r_pack
    siemens = 0.0 if math.isinf(total) else 1.0 / total
    bottom, top = sense.node_volts(branch.v_low), sense.node_volts(branch.v_high)
    kinks = {v for e in elements for p in e for v in (p.v_low, p.v_high) if bottom < v < top}
    missed: tuple[float, tuple[Piece, ...]] | None = None
    for high, low in pairwise([top, *sorted(kinks, reverse=True), bottom]):
        pieces = tuple(_at(e, _inside(low, high)) for e in elements)
        volts = _root(pieces, sense, branch.emf * siemens, siemens)
        # At the foot of a diode nothing flows yet: that belongs to the branch below, whatever the last digit says.
        if volts is None or volts < low or (low == bottom and volts < low + 1e-12 * (1.0 + abs(low))):
            missed = None if volts is None or low == bottom else (volts, pieces)
            continue
        if volts <= high + 1e-9 * (1.0 + abs(high)):
            return volts, pieces
        # At the upper edge everything together draws, so without constant power a root beyond it is one by rounding:
        # a stiff regulator's, just above, which came out below its own edge in the last digit.
        if not any(p.watts > 0.0 for p in pieces):
            return (volts, pieces) if missed is None else (high, missed[1])
        missed = None
    return None


def _inside(low: float, high: float) -> float:
    if math.isinf(low):
        return 0.0 if math.isinf(high) else high - 1.0
    return low + 1.0 if math.isinf(high) else 0.5 * (low + high)


def draw_at(elements: Sequence[Element], volts: float) -> float:
    """What everything but the pack would draw from a stiff ``volts``, A."""
    return -sum(amps_into_node(_at(e, volts), volts, volts) for e in elements)
