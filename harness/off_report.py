"""How switching off went."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OffReport:
    """How off went. ``word`` is ``confirmed``, ``not confirmed`` or ``unreadable``; ``suspects`` are the instruments
    that were not seen off. ``softened``: set currents were lowered on the way. ``contradicted``: a witness has said,
    now or earlier in this run, that the current went on although every instrument said off. ``opened_contactor``: one
    that was to stay closed for the next block was opened all the same."""

    word: str
    witness: str
    lines: tuple[str, ...]
    took_s: float
    tries: int
    last_amps: float
    last_volts: float
    suspects: tuple[str, ...] = ()
    softened: bool = False
    contradicted: bool = False
    opened_contactor: bool = False

    @property
    def confirmed(self) -> bool:
        return self.word == "confirmed"
