"""A multimeter, read for DC volts."""

from __future__ import annotations

from drivers.dialect import MeterDialect
from drivers.instrument import Instrument
from drivers.session import Session


class Meter(Instrument):
    """Reads only; there is nothing to switch off."""

    def __init__(self, session: Session, dialect: MeterDialect) -> None:
        super().__init__(session, decimal_comma=dialect.decimal_comma)
        self.dialect = dialect

    def measure_volts(self) -> float:
        """Volts between its leads, V; nan when it says not-a-number, inf when over range."""
        return self._number(self.dialect.measured_volts)
