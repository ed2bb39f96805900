"""The voltmeters of a bench beside each other, turn by turn: which read the same volts, and what lies between two.

Pack volts are taken from one place (`rig.place`). The others read the same node as long as no current flows in the
leads between; what the energised instrument reads at its own terminals differs by the drop in its leads, and so tells
their resistance. With nothing on, each difference is an offset of two instruments; it is taken off before a drop is
divided by a current.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from harness.block import ACTIVE, Block
from harness.channels import LEAD_SHARE
from harness.config import InstrumentEntry
from harness.interlock import middle
from harness.reading import Turn
from harness.rig import Rig

LEAST_SHARE = 0.2
"""Share of the set current under which a drop is too small to be divided by it."""

SAME_AT_REST_V = 0.020
"""Beside what accuracies allow: an instrument farther off with nothing on reads something else than the node."""

BASE_OF = 5
"""Readings of a block from which its leads' resistance at the beginning is taken."""

NOISE_V = 0.002
"""Of the difference of two voltmeters, about (judgement)."""

DOUBTS = 4.0
"""Standard uncertainties between two good voltmeters, at most."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The node by its other voltmeters: volts and how far they may be off, V; resistance of the leads and how far
    that may be off, ohm or nan."""

    volts: dict[str, float] = field(default_factory=dict)
    doubt: dict[str, float] = field(default_factory=dict)
    joint_ohm: float = math.nan
    joint_doubt_ohm: float = math.nan
    joint_declared_ohm: float = math.nan


class Voltmeters:
    """Compares the voltmeters of ``rig``. Knows only what it was shown."""

    def __init__(self, rig: Rig) -> None:
        self._rig, self._place = rig, rig.place
        self._entries = {e.name: e for e in rig.bench_file.instruments if e.is_voltmeter}
        self._accuracy = {name: entry.volts_accuracy for name, entry in self._entries.items()}
        self._rest: dict[str, deque[float]] = {name: deque(maxlen=BASE_OF) for name in self._entries}
        self._rest_v = math.nan
        """Pack volts with nothing on, V."""
        self._same: set[str] = set()
        """Who read the node's volts with nothing on."""

    def look(self, turn: Turn, block: Block) -> Seen:
        """What the others say in this turn; keeps, in ``block``, the resistance at its beginning."""
        place, volts = self._place, turn.pack_volts
        if place is None or not place.drop_known or math.isnan(volts):
            return Seen()
        doubt = {name: self._doubt(name, turn) for name in self._entries if name != place.name}
        if block.phase == "rest":
            self._at_rest(turn, doubt)
        energised = self._energised(block)
        far = "" if energised is None else self._far(energised)
        ohm, ohm_doubt, declared = math.nan, math.nan, math.nan
        if energised is not None and far:
            ohm, ohm_doubt = self._joint(turn, block, far, doubt[far])
            declared = math.nan if energised.lead_ohm is None else energised.lead_ohm
            self._begin(block, ohm)
        found = {}
        for name in doubt:
            other = self._same_volts(name, turn, block, energised, far, ohm)
            if other == other:
                found[name] = other
        return Seen(found, {name: doubt[name] for name in found}, ohm, ohm_doubt, declared)

    def readings(self, turn: Turn) -> dict[str, float]:
        """What the others read in ``turn``, as it is, V."""
        here = self._place.name if self._place is not None else ""
        return {name: turn.readings[f"{name}_volts"] for name in self._entries if name != here}

    def _doubt(self, name: str, turn: Turn) -> float:
        assert self._place is not None
        mine = self._accuracy[self._place.name].standard_uncertainty(turn.pack_volts)
        drop = 0.0
        if self._place.ohm:
            amps = turn.load_amps if self._place.kind == "load" else turn.supply_amps
            drop = LEAD_SHARE * abs(amps) * self._place.ohm if amps == amps else 0.0
        return DOUBTS * math.hypot(mine, self._accuracy[name].standard_uncertainty(turn.pack_volts), drop)

    def _at_rest(self, turn: Turn, doubt: dict[str, float]) -> None:
        self._rest_v = turn.pack_volts
        for name, allowed in doubt.items():
            apart = turn.readings[f"{name}_volts"] - turn.pack_volts
            if abs(apart) <= allowed + SAME_AT_REST_V:
                self._rest[name].append(apart)
                self._same.add(name)

    def _energised(self, block: Block) -> InstrumentEntry | None:
        role = ACTIVE.get(block.phase)
        return None if role is None or block.helped else self._rig.bench_file.one(role)

    def _far(self, energised: InstrumentEntry) -> str:
        """Who reads the terminals of the energised instrument, the far end of its leads; "" when nobody does, or when
        the pack's own volts are taken there."""
        assert self._place is not None
        wired = (e.name for e in self._entries.values() if e.role == "meter" and e.measures == energised.role)
        name = energised.name if energised.sense == "local" else next(wired, "")
        return "" if name == self._place.name else name

    def _joint(self, turn: Turn, block: Block, far: str, doubt_v: float) -> tuple[float, float]:
        """Resistance between the pack's voltmeter and ``far``, and how far off it may be, ohm; nan for too little
        current."""
        source = ACTIVE[block.phase] == "supply"
        amps = turn.supply_amps if source else turn.load_amps
        if not amps > LEAST_SHARE * block.set_amps or not amps > 0:
            return math.nan, math.nan
        apart = turn.readings[f"{far}_volts"] - turn.pack_volts
        if self._rest[far]:
            apart -= middle(self._rest[far])
            # What both were apart with nothing on is taken off, and holds as far as volts are still about the same.
            moved = abs(turn.pack_volts - self._rest_v) / max(abs(turn.pack_volts), 1e-9)
            doubt_v = NOISE_V + min(1.0, moved) * doubt_v
        return (apart if source else -apart) / amps, doubt_v / amps

    @staticmethod
    def _begin(block: Block, ohm: float) -> None:
        if ohm == ohm and len(block.joint_first) < BASE_OF:
            block.joint_first.append(ohm)

    def _same_volts(
        self, name: str, turn: Turn, block: Block, energised: InstrumentEntry | None, far: str, ohm: float
    ) -> float:
        """What ``name`` says about the pack's volts, V; nan when it reads something else now, or says nothing."""
        entry, volts = self._entries[name], turn.readings[f"{name}_volts"]
        if energised is None or name not in (energised.name, far):
            return volts if name in self._same else math.nan
        if name == energised.name and entry.sense == "remote":
            return volts
        if ohm == ohm or energised.lead_ohm is None:
            return math.nan  # what is between them is judged as a resistance, or not known
        amps = turn.supply_amps if energised.role == "supply" else turn.load_amps
        return volts + (-amps if energised.role == "supply" else amps) * energised.lead_ohm
