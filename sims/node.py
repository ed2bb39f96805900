"""The bench's circuit at one instant: which elements hang on the node, which pieces they are on, what flows.

Not modelled: see circuit.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sims.circuit import Branch, Element, Piece, diode_clamp, draw_at, sense_of, solve
from sims.events import Watch
from sims.law import Law
from sims.load import LoadPort
from sims.pack import Pack
from sims.supply import SupplyPort
from sims.ups import Ups

NO_PACK = Branch("no pack", emf=0.0, ohms=math.inf, through_cells=False)
CLAMP_VOLTS = -0.7
"""Where a clamp against reversed polarity begins to conduct, V."""


@dataclass(frozen=True, slots=True)
class Leads:
    """Resistance of each pair of leads from its instrument to where they meet, ohm, both conductors together."""

    r_supply: float = 0.02
    r_load: float = 0.02
    r_pack: float = 0.0

    def __deepcopy__(self, memo: object) -> Leads:
        return self


@dataclass(frozen=True, slots=True)
class Solved:
    """The circuit as it stands: node volts, the law that holds while no piece is left, and what tells that one is."""

    volts: float
    branch: Branch
    pieces: dict[str, Piece]
    law: Law
    watches: tuple[Watch, ...]

    def __deepcopy__(self, memo: object) -> Solved:
        return self


def elements_of(
    pack: Pack | None,
    supply: SupplyPort | None,
    load: LoadPort | None,
    leads: Leads,
    branch: Branch,
    ups: Ups | None = None,
    t_s: float = 0.0,
) -> dict[str, Element]:
    """Everything on the node but the pack, by name."""
    sense = sense_of(branch, leads.r_pack)
    found: dict[str, Element] = {}
    if supply is not None:
        found["supply"] = supply.pieces(leads.r_supply, sense)
        if math.isfinite(supply.r_reverse):
            found["supply clamp"] = diode_clamp("clamp", volts=CLAMP_VOLTS, ohms=supply.r_reverse + leads.r_supply)
    if load is not None:
        found["load"] = load.pieces(leads.r_load, sense)
        if math.isfinite(load.r_reverse):
            found["load clamp"] = diode_clamp("clamp", volts=CLAMP_VOLTS, ohms=load.r_reverse + leads.r_load)
    if ups is not None:
        found["ups"] = ups.pieces(t_s)
    if pack is not None and not pack.closed and math.isfinite(pack.r_terminals):
        found["terminals"] = (Piece("terminals", siemens=1.0 / pack.r_terminals),)
    return found


def solve_bench(
    pack: Pack | None,
    supply: SupplyPort | None,
    load: LoadPort | None,
    leads: Leads,
    ups: Ups | None = None,
    t_s: float = 0.0,
) -> Solved:
    """The one steady state of the bench. Raises RuntimeError when there is none (a fault of the simulator)."""
    branches = (NO_PACK,) if pack is None else pack.branches()
    for branch in sorted(branches, key=lambda b: -b.v_high):
        elements = elements_of(pack, supply, load, leads, branch, ups, t_s)
        solution = solve(branch, r_pack=leads.r_pack, elements=tuple(elements.values()))
        if solution is None:
            continue
        volts, used = solution
        pieces = dict(zip(elements, used, strict=True))
        sign, ohms = (1.0, math.inf) if pack is None else (pack.sign, pack.ohms)
        ramp = 0.0 if ups is None else ups.ramp(pieces["ups"].name, t_s)
        law = Law(
            branch=branch, sign=sign, r_pack=leads.r_pack, pieces=pieces, node_volts=volts, ohms=ohms, ramp=ramp
        )  # fmt: skip
        watches = tuple(w for p in used for w in p.watches) + branch.watches
        return Solved(volts, branch, pieces, law, watches)
    what = f"pack {'none' if pack is None else f'{pack.emf:.6g} V'}, supply {supply}, load {load}"
    raise RuntimeError(f"node: no solution with {what}; report the state")


def outside_draw(
    pack: Pack, supply: SupplyPort | None, load: LoadPort | None, leads: Leads, ups: Ups | None = None, t_s: float = 0.0
) -> float:
    """What the bench would draw from the pack's cells if its switches were on, A."""
    branch = pack.branches()[0]
    volts = pack.sign * pack.emf
    return pack.sign * draw_at(tuple(elements_of(pack, supply, load, leads, branch, ups, t_s).values()), volts)
