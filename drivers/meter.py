"""A multimeter, read for DC volts."""

from __future__ import annotations

from drivers.dialect import MeterDialect
from drivers.instrument import Instrument
from drivers.session import Session


class Meter(Instrument):
    """Reads only; there is nothing to switch off."""

    def __init__(
        self, session: Session, dialect: MeterDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect = dialect

    def measure_volts(self) -> float:
        """Volts between its leads, V; nan when it says not-a-number, inf when over range."""
        return self._number(self.dialect.measured_volts)
