"""A DC supply. Volts and amps are positive; amps are what the supply sources."""

from __future__ import annotations

from drivers.dialect import SupplyDialect
from drivers.faults import Unsupported
from drivers.instrument import Instrument, StateQuery
from drivers.session import Session


class Supply(Instrument):
    """Every setter writes, reads back and compares to half a resolution step, else ``ReadBackMismatch``."""

    def __init__(self, session: Session, dialect: SupplyDialect) -> None:
        super().__init__(session, decimal_comma=dialect.decimal_comma)
        self.dialect = dialect

    def set_volts(self, *, volts: float) -> float:
        """Set the volts limit; returns what is held, V."""
        return self._set(self.dialect.volts, volts, "volts")

    def set_amps(self, *, amps: float) -> float:
        """Set the current limit; returns what is held, A."""
        return self._set(self.dialect.amps, amps, "amps")

    def arm_over_volts(self, *, volts: float) -> float:
        """Set the supply's own over-volts protection; returns the level held, V. May raise ``Unsupported``."""
        if self.dialect.over_volts is None:
            raise self._unsupported("over_volts")
        return self._set(self.dialect.over_volts, volts, "over-volts protection")

    def arm_over_amps(self, *, on: bool = True) -> None:
        """Let the supply switch off, instead of limiting, at its current limit. May raise ``Unsupported``."""
        if self.dialect.over_amps is None:
            raise self._unsupported("over_amps")
        self._switch(self.dialect.over_amps, on, "over-current protection")

    def set_sense(self, *, remote: bool) -> None:
        """Four-wire sensing on or off. May raise ``Unsupported``."""
        if self.dialect.sense is None:
            raise self._unsupported("sense")
        self._switch(self.dialect.sense, remote, "remote sense")

    def switch(self, on: bool) -> None:
        """Output on or off, read back; the fault names a tripped protection. Never clears one."""
        self._switch(self.dialect.output, on, "output", trips=self.dialect.trips)

    def off(self) -> None:
        """Send "output off" to whoever is there; whether it took is for a measurement to show."""
        self.session.tell_whoever(self.dialect.output.set_off)

    def soften(self) -> None:
        """Lowest current limit, not read back: second best when the output does not go off.

        Not 0 V: with a pack on the terminals a supply that can sink would then drain it.
        """
        self.session.tell_whoever(self.dialect.amps.set.replace("{}", f"{0.0:.{self.dialect.amps.decimals}f}"))

    @property
    def off_texts(self) -> tuple[str, str]:
        """The literal message that switches off, and the question whether it is off."""
        return self.dialect.output.set_off, self.dialect.output.ask

    def output_is_on(self) -> bool:
        """What the supply says of its output."""
        return self._is_on(self.dialect.output)

    def measure_volts(self) -> float:
        """Volts at its terminals (or sense leads), V; nan when it says not-a-number."""
        return self._number(self.dialect.measured_volts)

    def measure_amps(self) -> float:
        """Amps it sources, A; nan when it says not-a-number."""
        return self._number(self.dialect.measured_amps)

    def mode(self) -> str:
        """What regulates now: "cv", "cc", "off", "driven" or "unknown"."""
        mode = self.dialect.mode
        if mode is None:
            return "unknown"
        word = mode.reply.get(str(self._whole(mode.ask) & mode.mask), "unknown")
        if word == "off" and self.output_is_on():
            # Neither volts nor amps are regulated with the output on: something stronger holds the node.
            return "driven"
        return word

    def tripped(self) -> str | None:
        """Words for the protection that has tripped, or ``None``."""
        return self._tripped(self.dialect.trips)

    def state_queries(self) -> tuple[StateQuery, ...]:
        """One question a call, for reading the state in rotation."""
        dialect = self.dialect
        queries: list[StateQuery] = [
            ("volts", lambda: self._number(dialect.volts)),
            ("amps", lambda: self._number(dialect.amps)),
            ("output", self.output_is_on),
        ]
        if (over_volts := dialect.over_volts) is not None:
            queries.append(("over_volts", lambda: self._number(over_volts)))
        if (over_amps := dialect.over_amps) is not None:
            queries.append(("over_amps", lambda: self._is_on(over_amps)))
        if (sense := dialect.sense) is not None:
            queries.append(("remote_sense", lambda: self._is_on(sense)))
        return tuple(queries)

    def state(self) -> dict[str, float | bool | str]:
        """Set-points, limits and output as the supply holds them now."""
        return {key: read() for key, read in self.state_queries()}

    def _unsupported(self, key: str) -> Unsupported:
        return Unsupported(
            f"dialect {self.dialect.name} has no [{key}]", instrument=self.name, do="use a dialect that has it"
        )
