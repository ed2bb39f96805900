"""A DC electronic load. Amps are positive when the load sinks them."""

from __future__ import annotations

from drivers.dialect import LoadDialect, Switch
from drivers.instrument import StateQuery
from drivers.session import Session
from drivers.watched import Watched


class Load(Watched):
    """Every setter writes, reads back and compares to half a resolution step, else ``ReadBackMismatch``."""

    def __init__(
        self, session: Session, dialect: LoadDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect: LoadDialect = dialect

    def set_function(self, function: str) -> None:
        """What the load holds constant: "cc", "cv", "cr" or "cp". May raise ``Unsupported``."""
        if function not in self.dialect.function.set:
            raise self._unsupported("function.set", f"for {function!r}, only {', '.join(self.dialect.function.set)}")
        self._choose(self.dialect.function, function, "function")

    def set_amps(self, *, amps: float) -> float:
        """Set the constant current; returns what is held, A."""
        return self._set(self.dialect.amps, amps, "amps")

    def set_volts(self, *, volts: float) -> float:
        """Set the constant voltage; returns what is held, V. May raise ``Unsupported``."""
        return self._set(self._needed(self.dialect.volts, "volts"), volts, "volts")

    def arm_low_volts(self, *, volts: float, delay_s: float | None = None) -> float:
        """Set the load's own low-volts stop (0 = none); returns the level held, V. May raise ``Unsupported``."""
        held = self._set(self._needed(self.dialect.low_volts, "low_volts"), volts, "low-volts stop")
        if delay_s is not None:
            self._set(self._needed(self.dialect.low_volts_delay, "low_volts_delay"), delay_s, "low-volts stop delay")
        return held

    def arm_over_amps(self, *, amps: float) -> float:
        """Set the load's own over-current stop; returns the level held, A. May raise ``Unsupported``."""
        return self._set(self._needed(self.dialect.over_amps, "over_amps"), amps, "over-current stop")

    def set_sense(self, *, remote: bool) -> None:
        """Four-wire sensing on or off. May raise ``Unsupported``."""
        self._hold(self._needed(self.dialect.sense, "sense"), remote, "remote sense")

    def switch(self, on: bool) -> None:
        """Input on or off, read back; the fault names a tripped protection. Never clears one."""
        self._switch(self.dialect.input, on, "input", trips=self.dialect.trips)

    def off(self) -> None:
        """Send "input off" to whoever is there; whether it took is for a measurement to show."""
        self._line.tell_whoever(self.dialect.input.set_off)

    def clear_protection(self) -> None:
        """Clear a trip, only when a person asks for it: input off and the least current first, off read back after.
        Raises ``Unsupported`` where the dialect has no text for it, and ``ReadBackMismatch`` when the input came on or
        the trip is still there.
        """
        protection = self._needed(self.dialect.protection, "protection")
        if not protection.clears:
            raise self._unsupported("protection", "with clear")
        self._turn_down()
        self._clear(protection.clears, self.dialect.input, "input", self.dialect.trips)

    def _main_switch(self) -> tuple[Switch, str]:
        return self.dialect.input, "input"

    def _turn_down(self) -> None:
        self.switch(False)
        self._set_least(self.dialect.amps, "amps")

    def soften(self) -> None:
        """Constant current of 0 A, not read back: second best when the input does not go off."""
        if "cc" in self.dialect.function.set:
            self._line.tell_whoever(self.dialect.function.set["cc"])
        self._send_least(self.dialect.amps)

    @property
    def off_texts(self) -> tuple[str, str]:
        """The literal messages that switch off, one a line, and those that ask whether it is off."""
        return self._line.literal(self.dialect.input.set_off), self._line.literal(self.dialect.input.ask)

    def senses_remotely(self) -> bool:
        """Whether four-wire sensing is on. May raise ``Unsupported``."""
        return self._is_on(self._needed(self.dialect.sense, "sense"))

    def input_is_on(self) -> bool:
        """What the load says of its input."""
        return self._is_on(self.dialect.input)

    def measure_volts(self) -> float:
        """Volts at its terminals (or sense leads), V; nan when it says not-a-number."""
        return self._number(self.dialect.measured_volts)

    def measure_amps(self) -> float:
        """Amps it sinks, A; nan when it says not-a-number."""
        return self._number(self.dialect.measured_amps)

    def tripped(self) -> str | None:
        """Words for the protection that has tripped, or ``None``."""
        return self._tripped(self.dialect.trips)

    def state_queries(self) -> tuple[StateQuery, ...]:
        """One question a call, for reading the state in rotation."""
        dialect = self.dialect
        queries: list[StateQuery] = [
            ("function", lambda: self._word(dialect.function.ask, dialect.function.reply)),
            ("amps", lambda: self._number(dialect.amps)),
            ("input", self.input_is_on),
        ]
        if (volts := dialect.volts) is not None:
            queries.append(("volts", lambda: self._number(volts)))
        if (low_volts := dialect.low_volts) is not None:
            queries.append(("low_volts", lambda: self._number(low_volts)))
        if (delay := dialect.low_volts_delay) is not None:
            queries.append(("low_volts_delay_s", lambda: self._number(delay)))
        if (over_amps := dialect.over_amps) is not None:
            queries.append(("over_amps", lambda: self._number(over_amps)))
        if (sense := dialect.sense) is not None:
            queries.append(("remote_sense", lambda: self._is_on(sense)))
        return (*queries, *self._watchdog_queries(), *self._shared_queries())

    def state(self) -> dict[str, float | bool | str]:
        """Set-points, limits and input as the load holds them now."""
        return {key: read() for key, read in self.state_queries()}
