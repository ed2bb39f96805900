"""A meter across a shunt: what it reads are volts, what it measures are amps."""

from __future__ import annotations

from drivers.dialect import MeterDialect
from drivers.instrument import Instrument
from drivers.session import Session


class ShuntMeter(Instrument):
    """``ohm`` is the shunt's resistance, negative where the meter's leads are the wrong way round. Amps are positive
    out of the pack."""

    def __init__(
        self,
        session: Session,
        dialect: MeterDialect,
        *,
        ohm: float,
        channel: int | None = None,
        name: str | None = None,
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect = dialect
        self._ohm = ohm

    def measure_amps(self) -> float:
        """Amps through the shunt, A; nan when the meter says not-a-number."""
        return self._number(self.dialect.measured_volts) / self._ohm
