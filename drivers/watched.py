"""What supplies and loads have in common that have a watchdog of their line: they switch off when nothing is said."""

from __future__ import annotations

import msgspec

from drivers.dialect import LoadDialect, SupplyDialect, Switch, Watchdog
from drivers.instrument import Instrument, StateQuery

WHAT = "watchdog of its line"


class Watched(Instrument):
    """Base of ``Supply`` and ``Load``. Whatever is said to the instrument puts its watchdog off, questions too.

    Setting, arming and reading back are as of every setter of the drivers; ``Unsupported`` where the dialect has no
    ``[watchdog]``.
    """

    dialect: SupplyDialect | LoadDialect

    @property
    def has_watchdog(self) -> bool:
        """Whether its dialect knows a watchdog."""
        return self.dialect.watchdog is not None

    @property
    def watchdog_span_s(self) -> tuple[float, float]:
        """The shortest and the longest time its watchdog can be set to, s, as far as the dialect tells."""
        seconds = self._dog.seconds
        most = float("inf") if seconds.most is None else seconds.most
        return max(seconds.finest, seconds.least or 0.0), most

    def arm_watchdog(self, *, seconds: float) -> float:
        """Have it switch off once nothing was said to it for ``seconds`` (s); the time that is held, s. The time goes
        first: armed with one that was left there it might expire at once.
        """
        held = self._set(self._dog.seconds, seconds, f"time of its {WHAT}")
        if (armed := self._dog.armed) is not None:
            self._switch(armed, True, WHAT)
        return held

    def disarm_watchdog(self) -> None:
        """Have it wait for ever; read back."""
        dog = self._dog
        if dog.armed is not None:
            self._switch(dog.armed, False, WHAT)
        else:
            self._set(msgspec.structs.replace(dog.seconds, least=0.0), 0.0, f"time of its {WHAT}")

    def watchdog_is_armed(self) -> bool:
        """Whether it is armed, as it says."""
        dog = self._dog
        return self._number(dog.seconds) > 0.0 if dog.armed is None else self._is_on(dog.armed)

    def set_watchdog_s(self, *, seconds: float) -> None:
        """Put its time (s) back as it was found, where arming is a thing of its own."""
        if self._dog.armed is not None:
            self._set(self._dog.seconds, seconds, f"time of its {WHAT}")

    def watchdog_s(self) -> float:
        """Its time as it is held, s."""
        return self._number(self._dog.seconds)

    def expired(self) -> str | None:
        """Words when its watchdog has expired and is latched, else ``None``; also where nobody can tell."""
        dog = self.dialect.watchdog
        return None if dog is None or dog.trip is None else self._tripped((dog.trip,))

    def clear_watchdog(self, *, off_first: bool = True) -> None:
        """Undo that it expired; what it had switched off stays off. ``off_first`` tells it off and turns it down
        before, since the old output may come back; without that it is seen whether it does. Raises ``Unsupported``
        where the dialect has no text for it, and ``ReadBackMismatch`` when the output came on, which is switched off
        again, or when it is expired still.
        """
        dog = self._dog
        if not dog.clears:
            raise self._unsupported("watchdog", "with clear")
        switch, what = self._main_switch()
        if off_first:
            self._turn_down()
        self._clear(dog.clears, switch, what, (dog.trip,) if dog.trip is not None else ())

    def is_on(self) -> bool:
        """Whether its output or input is on, as it says."""
        return self._is_on(self._main_switch()[0])

    def _main_switch(self) -> tuple[Switch, str]:
        """What switches it off, and its word."""
        raise NotImplementedError

    def _turn_down(self) -> None:
        """Off and to its least, read back."""
        raise NotImplementedError

    @property
    def _dog(self) -> Watchdog:
        return self._needed(self.dialect.watchdog, "watchdog")

    def _watchdog_queries(self) -> list[StateQuery]:
        """What may be asked of its state: the time, whether it is armed, whether it has expired."""
        dog = self.dialect.watchdog
        if dog is None:
            return []
        queries: list[StateQuery] = [("watchdog_s", self.watchdog_s)]
        if dog.armed is not None:
            queries.append(("watchdog", self.watchdog_is_armed))
        if dog.trip is not None:
            queries.append(("watchdog_expired", lambda: self.expired() is not None))
        return queries
