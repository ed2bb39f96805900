"""A thermometer with one probe."""

from __future__ import annotations

from drivers.dialect import ThermometerDialect
from drivers.instrument import Instrument
from drivers.session import Session


class Thermometer(Instrument):
    """Reads only; there is nothing to switch off."""

    def __init__(self, session: Session, dialect: ThermometerDialect) -> None:
        super().__init__(session, decimal_comma=dialect.decimal_comma)
        self.dialect = dialect

    def measure_temp_c(self) -> float:
        """Degree Celsius at the probe; nan when it says not-a-number."""
        return self._number(self.dialect.measured_temp)
