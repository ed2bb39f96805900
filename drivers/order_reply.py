"""What an instrument answers an order with that answers its orders too."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OrderReply:
    """``text`` is "" for an instrument that answers questions only; blanks around it and capitals do not count."""

    text: str

    def __bool__(self) -> bool:
        return bool(self.text)

    def is_due(self, raw: bytes) -> bool:
        """Whether this is the answer."""
        return raw.decode("ascii", "backslashreplace").strip().upper() == self.text.upper()

    def not_due(self, raw: bytes) -> str:
        """Words for another answer."""
        return f"answered {raw.decode('ascii', 'backslashreplace')!r} to an order, {self.text!r} is due"
