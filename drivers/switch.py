"""A switch of one circuit: mains of a UPS, the load on its output, a contactor."""

from __future__ import annotations

from drivers.dialect import SwitchDialect
from drivers.instrument import Instrument, StateQuery
from drivers.session import Session


class PowerSwitch(Instrument):
    """On = the circuit is closed. Many switches answer with the order they were given and not with where their contacts
    are: that the circuit is open is for a measurement, or a contact input, to show.
    """

    def __init__(
        self, session: Session, dialect: SwitchDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect = dialect

    def switch(self, on: bool) -> None:
        """Close (``True``) or open the circuit, read back, else ``ReadBackMismatch``. A switch whose answer follows its
        contacts needs ``pace_s`` in the ``[line]`` of its dialect, longer than the contacts take.
        """
        self._switch(self.dialect.position, on, "switch")

    def off(self) -> None:
        """Send "off" to whoever is there; whether it took is for a measurement to show."""
        self._line.tell_whoever(self.dialect.position.set_off)

    @property
    def off_texts(self) -> tuple[str, str]:
        """The literal messages that open the circuit, one a line, and those that ask whether it is open."""
        return self._line.literal(self.dialect.position.set_off), self._line.literal(self.dialect.position.ask)

    def is_on(self) -> bool:
        """What the switch says of its circuit; ``True`` = closed."""
        return self._is_on(self.dialect.position)

    def state_queries(self) -> tuple[StateQuery, ...]:
        """One question a call, for reading the state in rotation."""
        return (("position", self.is_on), *self._shared_queries())

    def state(self) -> dict[str, float | bool | str]:
        """The position as the switch tells it now."""
        return {key: read() for key, read in self.state_queries()}
