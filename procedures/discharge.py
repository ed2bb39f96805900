"""The fold behind a constant-current discharge: push samples, get capacity, or the reason why there is none.

It knows nothing of a bench, so it runs as well over a recording or over a trajectory made elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.detectors import ChargeCounter, EndVolts, Opened

END_VOLTS = "end volts reached"
PACK_OPENED = "pack opened"
CHARGE_LIMIT = "charge limit"
TIME_LIMIT = "time limit"


@dataclass(slots=True)
class DischargeFold:
    """Charge and energy from switch-on to the end voltage, or to the last good sample if the pack opened.

    ``end_v`` (V) is looked for in the volts pushed as ``end_volts`` (pack or load terminals, as the plan says);
    energy is counted with ``pack_volts``. ``amps`` is positive out of the pack. ``on_s`` is when the load was switched
    on.
    """

    set_amps: float
    end_v: float
    nominal_volts: float
    period_s: float
    on_s: float = 0.0
    counter: ChargeCounter = field(init=False)
    end: EndVolts = field(init=False)
    opened: Opened = field(init=False)
    charge_ah: float = math.nan
    energy_wh: float = math.nan
    end_s: float = math.nan
    end_reason: str = ""
    temps: list[float] = field(default_factory=list)
    _kept: list[tuple[float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.counter = ChargeCounter(period_s=self.period_s, start_s=self.on_s)
        self.end = EndVolts(end_v=self.end_v, start_s=self.on_s)
        self.opened = Opened(set_amps=self.set_amps, nominal_volts=self.nominal_volts)

    @property
    def decided(self) -> bool:
        return bool(self.end_reason)

    def push(self, t_s: float, amps: float, pack_volts: float, *, end_volts: float, temp_c: float = math.nan) -> None:
        """One sample; volts in V, ``temp_c`` in degC, any of them nan when missing."""
        if self.decided:
            return
        if math.isfinite(temp_c):
            self.temps.append(temp_c)
        self.opened.push(t_s, amps, end_volts)
        if self.opened.opened:
            self._end_opened()
            return
        self.end.push(t_s, end_volts)
        self._keep(t_s, amps, pack_volts)
        if self.end.confirmed and self.end.crossing_s is not None:
            self._end_at(self.end.crossing_s)

    def _keep(self, t_s: float, amps: float, pack_volts: float) -> None:
        # The counter stays behind while a crossing or an opening is in doubt, so that nothing has to be taken back.
        self._kept.append((t_s, amps, pack_volts))
        in_doubt = self.end.crossing_s is not None or amps < 0.5 * self.set_amps
        if not in_doubt:
            self._count_kept()

    def _count_kept(self) -> None:
        for t_s, amps, volts in self._kept:
            self.counter.push(t_s, amps, volts)
        self._kept.clear()

    def _end_at(self, crossing_s: float) -> None:
        for t_s, amps, volts in self._kept:
            if t_s >= crossing_s:
                self.charge_ah, self.energy_wh = self.counter.up_to(crossing_s, amps, volts)
                break
            self.counter.push(t_s, amps, volts)
        self.end_s, self.end_reason = crossing_s, END_VOLTS

    def _end_opened(self) -> None:
        last = self.opened.last_good
        for t_s, amps, volts in self._kept:
            if last is not None and t_s <= last[0]:
                self.counter.push(t_s, amps, volts)
        self.charge_ah, self.energy_wh = self.counter.charge_ah, self.counter.energy_wh
        self.end_s = last[0] if last is not None else self.on_s
        self.end_reason = PACK_OPENED

    def give_up(self, reason: str) -> None:
        """End without an end voltage: what was counted so far is a lower bound."""
        self._count_kept()
        self.charge_ah, self.energy_wh = self.counter.charge_ah, self.counter.energy_wh
        self.end_s = self.counter.last[0] if self.counter.last else self.on_s
        self.end_reason = reason
