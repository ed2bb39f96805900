"""A pack: cells in series behind a battery management system, as its terminals show it.

Not modelled: inductance, contact resistance of the terminals (count it in the leads), what a BMS display would show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sims.bms import Bms, BmsSpec
from sims.cell import ZERO_C_IN_K, CellModel, Cells, CellSpec, CellStart
from sims.circuit import LEAST_OHM, Branch
from sims.events import BLEED_LAST, BLEED_NEXT, PACK_AMPS, PACK_OVER, Limits
from sims.motion import Moved

BLEED_FROM_AMPS = 0.02
"""The balancer works while the pack is charged with more than this, A."""

BLEED_GAP_VOLTS = 0.01
"""A bled cell is let go this far below the level, V."""


class Pack:
    """Cells in series with their BMS. Amps > 0 leave the pack; volts in its own polarity, also when wired reversed.

    r_bms ohm (switches, shunt, links); diode_volts V of a switch's body diode; r_leak ohm of open switches (inf =
    none); r_terminals ohm across the terminals while a switch is open (inf = none): with the leak it leaves a few
    tenths of a volt. Raises ValueError when there is no cell or a state of charge is outside 0..1.
    """

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
        diode_volts: float = 0.7,
        r_leak: float = 1e7,
        r_terminals: float = 1.2e5,
    ) -> None:
        self.model = CellModel(cell, cells)
        self.cells = self.model.begin(temp_c)
        if bms is None and asleep:
            raise ValueError("pack: asleep without a BMS; give it one")
        self.bms = None if bms is None else Bms(bms, asleep=asleep)
        self.r_bms = r_bms if r_bms + sum(self.model.r0) > 0.0 else LEAST_OHM
        self.sign = -1.0 if reversed_ else 1.0
        self.diode_volts = diode_volts
        self.r_leak = r_leak
        self.r_terminals = r_terminals
        self.heat_j = 0.0
        """Heat made in the cells so far, J."""
        self.heat_lost_j = 0.0
        """Heat the cells gave to the room so far, J."""

    @property
    def reversed_(self) -> bool:
        """Is it wired the wrong way round?"""
        return self.sign < 0.0

    @property
    def emf(self) -> float:
        """Volts of all cells at no current, this instant."""
        return sum(self.cells.emf)

    @property
    def ohms(self) -> float:
        """Resistance at once, cells and BMS."""
        return sum(self.cells.ohms) + self.r_bms

    @property
    def z(self) -> list[float]:
        """State of charge of each cell, 0..1."""
        return self.cells.z

    @property
    def temp_c_each(self) -> list[float]:
        """Temperature of each cell, degC."""
        return [t - ZERO_C_IN_K for t in self.cells.kelvin]

    def cell_volts(self, amps: float) -> list[float]:
        """Volts of each cell with ``amps`` leaving the pack."""
        return [e - amps * r for e, r in zip(self.cells.emf, self.cells.ohms, strict=True)]

    def warm(self, joules: float) -> None:
        """Heat from within, J, spread over the cells: a reaction that feeds itself."""
        self.heat_j += joules
        store = self.model.spec.heat_j_per_k * len(self.z)
        self.cells.kelvin = [t + joules / store for t in self.cells.kelvin]

    @property
    def closed(self) -> bool:
        """Do both ways lead through?"""
        return self.bms is None or (self.bms.charge_on and self.bms.discharge_on)

    def branches(self) -> tuple[Branch, ...]:
        """The pack as the node sees it, one branch for each range of terminal volts."""
        emf, ohms = self.emf, self.ohms
        if self.bms is None or self.closed:
            return (self._branch("closed", emf, ohms),)
        # Where diode and leak carry the same: the leak has the better of it up to there.
        kink = self.diode_volts if math.isinf(self.r_leak) else self.diode_volts * self.r_leak / (self.r_leak - ohms)
        least = 0.0 if math.isinf(self.r_leak) else self.diode_volts / (self.r_leak - ohms)
        if self.bms.charge_on:
            watch = (PACK_OVER, -math.inf, kink)
            leak = self._branch("blocked", emf, self.r_leak, high=emf + kink, through=False, watch=watch)
            watch = (PACK_AMPS, -math.inf, -least)
            return leak, self._branch("charge diode", emf, ohms, low=emf + kink, shift=self.diode_volts, watch=watch)
        if self.bms.discharge_on:
            watch = (PACK_OVER, -kink, math.inf)
            leak = self._branch("blocked", emf, self.r_leak, low=emf - kink, through=False, watch=watch)
            watch = (PACK_AMPS, least, math.inf)
            diode = self._branch("discharge diode", emf, ohms, high=emf - kink, shift=-self.diode_volts, watch=watch)
            return leak, diode
        return (self._branch("blocked", emf, self.r_leak, through=False),)

    def _branch(
        self,
        name: str,
        emf: float,
        ohms: float,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        shift: float = 0.0,
        through: bool = True,
        watch: tuple[int, float, float] | None = None,
    ) -> Branch:
        if self.reversed_:
            low, high = -high, -low
        watches = () if watch is None else (watch,)
        sign = self.sign
        return Branch(name, sign * (emf + shift), ohms, low, high, sign * shift, through, watches)

    @property
    def balances(self) -> bool:
        """Has it a balancer?"""
        return math.isfinite(self.model.spec.bleed_volts)

    def poll(self, figures: Sequence[float], t_s: float, outside_amps: float) -> list[str]:
        """Carry out what is due at this instant; words for each, "" for what changed silently."""
        done = [] if self.bms is None else self.bms.poll(figures, t_s, outside_amps)
        if self.balances and self._balance(figures[PACK_AMPS]):
            done.append("")
        return done

    def _balance(self, amps: float) -> bool:
        spec, cells = self.model.spec, self.cells
        level, charged = spec.bleed_volts, amps < -BLEED_FROM_AMPS
        volts = self.cell_volts(amps)
        wanted = [
            charged and v > level - (BLEED_GAP_VOLTS if b else 0.0) for v, b in zip(volts, cells.bled, strict=True)
        ]
        if wanted == [b > 0.0 for b in cells.bled]:
            return False
        cells.bled = [v / spec.bleed_ohm if w else 0.0 for v, w in zip(volts, wanted, strict=True)]
        self.model.refresh(cells)
        return True

    def bleeding(self, cells: Cells, volts: Sequence[float]) -> tuple[float, float]:
        """Lowest cell that is being bled and highest that is not, V; infinite when there is none."""
        if not self.balances:
            return math.inf, -math.inf
        bled = min((v for v, b in zip(volts, cells.bled, strict=True) if b > 0.0), default=math.inf)
        return bled, max((v for v, b in zip(volts, cells.bled, strict=True) if b <= 0.0), default=-math.inf)

    def take(self, moved: Moved, amps: float) -> None:
        """Be as after a step at whose end ``amps`` leave."""
        self.cells = moved.cells
        self.heat_j += moved.heat_j
        self.heat_lost_j += moved.lost_j
        if any(moved.cells.bled):
            volts, ohm = self.cell_volts(amps), self.model.spec.bleed_ohm
            self.cells.bled = [v / ohm if b else 0.0 for v, b in zip(volts, self.cells.bled, strict=True)]

    def narrow(self, limits: Limits, figures: Sequence[float]) -> None:
        """Add what BMS and balancer wait for to what the world watches."""
        if self.bms is not None:
            self.bms.narrow(limits, figures)
        if self.balances:
            level, charged = self.model.spec.bleed_volts, figures[PACK_AMPS] < -BLEED_FROM_AMPS
            limits.narrow_condition(PACK_AMPS, above=False, level=-BLEED_FROM_AMPS, holds=charged)
            if charged:
                limits.narrow_condition(BLEED_NEXT, above=True, level=level, holds=False)
                limits.narrow_condition(BLEED_LAST, above=True, level=level - BLEED_GAP_VOLTS, holds=True)

    def due_s(self) -> float:
        """Time of the next thing that happens by itself, s; inf when there is none."""
        return math.inf if self.bms is None else self.bms.due_s()
