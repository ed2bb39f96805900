"""The fold behind a constant-current discharge: push samples, get capacity, or the reason why there is none.

It knows nothing of a bench, so it runs as well over a recording or over a trajectory made elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from procedures.detectors import ChargeCounter, EndVolts, Opened
from procedures.series import Point

END_VOLTS = "end volts reached"
EMPTY = "under the end volts from the start"
PACK_OPENED = "pack opened"

Row = tuple[float, float, float]


@dataclass(slots=True)
class DischargeFold:
    """Charge and energy from switch-on to the end voltage, or to the last good sample if the pack opened.

    ``end_v`` (V) is looked for in the volts pushed as ``end_volts`` (pack or load terminals, as the plan says), and
    only while the current flows: the volts of a pack that opened are no end voltage. Energy is counted with
    ``pack_volts``. ``amps`` is positive out of the pack. ``on_s`` is when the load was switched on. ``last_v`` is the
    pack's volts in the last good sample before it opened.
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
    temps: list[Point] = field(default_factory=list)
    _kept: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.counter = ChargeCounter(period_s=self.period_s, start_s=self.on_s)
        self.end = EndVolts(end_v=self.end_v, start_s=self.on_s)
        self.opened = Opened(set_amps=self.set_amps, nominal_volts=self.nominal_volts)

    @property
    def decided(self) -> bool:
        """True once there is nothing left to wait for; later samples are not taken."""
        return bool(self.end_reason)

    @property
    def last_v(self) -> float:
        """Volts of the last good sample of a pack that opened; nan for any other end."""
        if self.end_reason != PACK_OPENED or self.counter.last is None:
            return math.nan
        return self.counter.last[2]

    def push(self, t_s: float, amps: float, pack_volts: float, *, end_volts: float, temp_c: float = math.nan) -> None:
        """One sample; volts in V, ``temp_c`` in degC, any of them nan when missing."""
        if self.decided:
            return
        if math.isfinite(temp_c):
            self.temps.append((t_s, temp_c))
        self.opened.push(t_s, amps, end_volts)
        if self.opened.opened:
            self._end_opened()
            return
        if amps > 0.5 * self.set_amps:
            self.end.push(t_s, end_volts)
        self._keep(t_s, amps, pack_volts)
        if self.end.confirmed and self.end.crossing_s is not None:
            self._end_at(self.end.crossing_s)

    def give_up(self, reason: str) -> None:
        """No sample comes any more: what was counted without doubt is all there is. Nothing when it had ended."""
        if not self.decided:
            self._settle(reason, self.counter.last[0] if self.counter.last is not None else self.on_s)

    def _keep(self, t_s: float, amps: float, pack_volts: float) -> None:
        # The counter stays behind while a crossing or an opening is in doubt, so that nothing has to be taken back.
        self._kept.append((t_s, amps, pack_volts))
        if self.end.crossing_s is None and amps > 0.5 * self.set_amps:
            self._count_kept()

    def _count_kept(self) -> None:
        for t_s, amps, volts in self._kept:
            self.counter.push(t_s, amps, volts)
        self._kept.clear()

    def _end_at(self, crossing_s: float) -> None:
        for t_s, amps, volts in self._kept:
            if not (math.isfinite(amps) and math.isfinite(volts)):
                continue
            if t_s >= crossing_s:
                self.counter.push_until(crossing_s, t_s, amps, volts)
                break
            self.counter.push(t_s, amps, volts)
        else:
            if self.counter.last is not None:
                self.counter.push(crossing_s, *self.counter.last[1:])
        self._settle(EMPTY if self.end.never_above else END_VOLTS, crossing_s)

    def _end_opened(self) -> None:
        last = self.opened.last_good
        for t_s, amps, volts in self._kept:
            if last is not None and t_s <= last[0] and amps > 0.5 * self.set_amps:
                self.counter.push(t_s, amps, volts)
        self._settle(PACK_OPENED, last[0] if last is not None else self.on_s)

    def _settle(self, reason: str, end_s: float) -> None:
        self.charge_ah, self.energy_wh = self.counter.charge_ah, self.counter.energy_wh
        self.end_s, self.end_reason = end_s, reason
