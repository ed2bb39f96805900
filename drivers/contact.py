"""A contact input: the warning contact of a UPS, or a relay that hangs on its output."""

from __future__ import annotations

from drivers.dialect import ContactDialect
from drivers.instrument import Instrument
from drivers.session import Session


class Contact(Instrument):
    """Reads only; there is nothing to switch off."""

    def __init__(
        self, session: Session, dialect: ContactDialect, *, channel: int | None = None, name: str | None = None
    ) -> None:
        super().__init__(session, dialect, channel=channel, name=name)
        self.dialect = dialect

    def closed(self) -> bool:
        """Whether the contact is closed now, as the input tells it after its own debouncing."""
        return self._is_on(self.dialect.closed)
