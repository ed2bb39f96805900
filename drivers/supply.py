"""A DC supply. Volts and amps are positive; amps are what the supply sources."""

from __future__ import annotations

from drivers.dialect import SupplyDialect, Switch
from drivers.instrument import StateQuery
from drivers.session import Session
from drivers.watched import Watched


class Supply(Watched):
    """Every setter writes, reads back and compares to half a resolution step, else ``ReadBackMismatch``."""

    def __init__(
        self, session: Session, dialect: SupplyDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect: SupplyDialect = dialect

    def set_volts(self, *, volts: float) -> float:
        """Set the volts limit; returns what is held, V."""
        return self._set(self.dialect.volts, volts, "volts")

    def set_amps(self, *, amps: float) -> float:
        """Set the current limit; returns what is held, A."""
        return self._set(self.dialect.amps, amps, "amps")

    def arm_over_volts(self, *, volts: float) -> float:
        """Set the supply's own over-volts protection; returns the level held, V. May raise ``Unsupported``."""
        return self._set(self._needed(self.dialect.over_volts, "over_volts"), volts, "over-volts protection")

    def arm_over_amps(self, *, on: bool = True) -> None:
        """Let the supply switch off, instead of limiting, at its current limit. May raise ``Unsupported``."""
        self._hold(self._needed(self.dialect.over_amps, "over_amps"), on, "over-current protection")

    def arm_sink(self, *, amps: float) -> float:
        """Limit what a two-quadrant supply takes back (a magnitude); returns what is held, A. May raise
        ``Unsupported``.
        """
        return self._set(self._needed(self.dialect.sink_amps, "sink_amps"), amps, "sink limit")

    def set_sense(self, *, remote: bool) -> None:
        """Four-wire sensing on or off. May raise ``Unsupported``."""
        self._hold(self._needed(self.dialect.sense, "sense"), remote, "remote sense")

    def switch(self, on: bool) -> None:
        """Output on or off, read back; the fault names a tripped protection. Never clears one."""
        self._switch(self.dialect.output, on, "output", trips=self.dialect.trips)

    def off(self) -> None:
        """Send "output off" to whoever is there; whether it took is for a measurement to show."""
        self._line.tell_whoever(self.dialect.output.set_off)

    def clear_protection(self) -> None:
        """Clear a trip, only when a person asks for it. Output off and volts at their least come first, since an
        instrument may put the output back as it was before the trip; then off is read back. Raises ``Unsupported``
        where the dialect has no text for it, and ``ReadBackMismatch`` when the output came on or the trip is still
        there.
        """
        protection = self._needed(self.dialect.protection, "protection")
        if not protection.clears:
            raise self._unsupported("protection", "with clear")
        self._turn_down()
        self._clear(protection.clears, self.dialect.output, "output", self.dialect.trips)

    def _main_switch(self) -> tuple[Switch, str]:
        return self.dialect.output, "output"

    def _turn_down(self) -> None:
        self.switch(False)
        if self.dialect.sink_amps is not None:
            self._set_least(self.dialect.sink_amps, "sink limit")
        self._set_least(self.dialect.volts, "volts")

    def soften(self) -> None:
        """Lowest current limit, not read back: second best when the output does not go off.

        Not 0 V: with a pack on the terminals a supply that can sink would then drain it.
        """
        self._send_least(self.dialect.amps)

    @property
    def off_texts(self) -> tuple[str, str]:
        """The literal messages that switch off, one a line, and those that ask whether it is off."""
        return self._line.literal(self.dialect.output.set_off), self._line.literal(self.dialect.output.ask)

    def senses_remotely(self) -> bool:
        """Whether four-wire sensing is on. May raise ``Unsupported``."""
        return self._is_on(self._needed(self.dialect.sense, "sense"))

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
        if mode.mask is None:
            word = mode.reply[self._word(mode.ask, {text: (text,) for text in mode.reply})]
        else:
            word = mode.reply.get(str(self._whole(mode) & mode.mask), "unknown")
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
        if (sink_amps := dialect.sink_amps) is not None:
            queries.append(("sink_amps", lambda: self._number(sink_amps)))
        if (sense := dialect.sense) is not None:
            queries.append(("remote_sense", lambda: self._is_on(sense)))
        return (*queries, *self._watchdog_queries(), *self._shared_queries())

    def state(self) -> dict[str, float | bool | str]:
        """Set-points, limits and output as the supply holds them now."""
        return {key: read() for key, read in self.state_queries()}
