"""A thermometer with one probe."""

from __future__ import annotations

from drivers.dialect import ThermometerDialect
from drivers.instrument import Instrument
from drivers.session import Session


class Thermometer(Instrument):
    """Reads only; there is nothing to switch off."""

    def __init__(
        self, session: Session, dialect: ThermometerDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect = dialect

    def measure_temp_c(self) -> float:
        """Degree Celsius at the probe; nan when it says not-a-number."""
        return self._number(self.dialect.measured_temp)
