"""Looking whether everything is off: each instrument's own word, and two fresh currents. Nothing in here raises."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch

ZERO_AMPS = 0.020
FRESH_APART_S = 0.2

Outputs = list[tuple[str, Supply | Load | PowerSwitch]]


@dataclass(slots=True)
class Seen:
    """What one instrument showed after off: ``off`` is None when it did not say; currents in A, nan when missing.
    ``switch``: it has no current to tell of."""

    off: bool | None = None
    amps: tuple[float, float] = (math.nan, math.nan)
    switch: bool = False

    def quiet(self, limit: float) -> bool:
        return self.off is True and (self.switch or all(abs(amps) <= limit for amps in self.amps))

    @property
    def answered(self) -> bool:
        return self.off is not None or not all(map(math.isnan, self.amps))


class Eyes:
    """``zero_amps``: what counts as no current, by instrument, A. ``wait`` passes bench time, ``alive`` is called
    before each question, ``failed`` with instrument and words where one was not answered; none of them may raise."""

    def __init__(
        self,
        *,
        zero_amps: dict[str, float],
        wait: Callable[[float], None],
        alive: Callable[[str], None],
        failed: Callable[[str, str], None],
    ) -> None:
        self._zero, self._wait, self._alive, self._failed = zero_amps, wait, alive, failed
        self._went_on: set[str] = set()
        """Who has said after "off" that it is on: off it must say twice, since one answer may be a wrong one."""

    def limit(self, name: str) -> float:
        """What counts as no current on this one, A."""
        return self._zero.get(name, ZERO_AMPS)

    def look(self, outputs: Outputs) -> dict[str, Seen]:
        """Each instrument's own word and two fresh currents; one that fails is not asked again in this pass."""
        seen = {name: Seen() for name, _ in outputs}
        sources = [(name, one) for name, one in outputs if not isinstance(one, PowerSwitch)]
        first = {name: self._amps(name, driver) for name, driver in sources}
        self._wait(FRESH_APART_S)
        for name, driver in outputs:
            if isinstance(driver, PowerSwitch):
                seen[name] = Seen(self._says_off(name, driver), switch=True)
                continue
            known = first[name]
            if known is None:
                continue
            second = self._amps(name, driver)
            off = self._says_off(name, driver) if second is not None else None
            seen[name] = Seen(off, (known, math.nan if second is None else second))
        return seen

    def _amps(self, name: str, driver: Supply | Load) -> float | None:
        """A fresh current, A; ``None`` when there was no answer."""
        try:
            self._alive(name)
            return driver.measure_amps()
        except Exception as error:  # whatever one instrument does, the others must still be looked at
            self._failed(name, str(error))
            return None

    def _says_off(self, name: str, driver: Supply | Load | PowerSwitch) -> bool | None:
        off = self._said_off(name, driver)
        if off is False:
            self._went_on.add(name)
        return self._said_off(name, driver) if off and name in self._went_on else off

    def _said_off(self, name: str, driver: Supply | Load | PowerSwitch) -> bool | None:
        try:
            self._alive(name)
            if isinstance(driver, PowerSwitch):
                return not driver.is_on()
            return not (driver.output_is_on() if isinstance(driver, Supply) else driver.input_is_on())
        except Exception as error:
            self._failed(name, str(error))
            return None

    def say(self, name: str, one: Seen) -> str:
        if one.switch:
            word = "does not say whether it is open" if one.off is None else "says open" if one.off else "says CLOSED"
            return f"{name} {word}"
        state = {True: "says off", False: "says ON", None: "does not say whether it is off"}[one.off]
        amps = ", ".join("no reading" if math.isnan(a) else f"{a:.4f} A" for a in one.amps)
        return f"{name} {state}; current {amps} (limit {self.limit(name):.3f} A)"
