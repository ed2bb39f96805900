"""What somebody does at a set time of a scenario: its tables ``[[happens]]``.

Each has ``at_s``, bench time, and ``order``, one of the orders of ``sims/hands.py`` about an instrument's front panel:
``local load`` presses its local key, ``reset load`` switches it off and on, ``turn supply volts 5.0`` turns a knob. Or
``leave`` and ``return``: the person beside the bench goes away, and comes back.

Not modelled: chance; it happens at that time in every run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Happening:
    """``order`` is carried out at bench time ``at_s``, s."""

    at_s: float
    order: str


def happenings(tables: Any, *, name: str) -> tuple[Happening, ...]:
    """The happenings of scenario ``name``. Raises ValueError with table and key."""
    where = f"scenario {name}: happens"
    return tuple(_one(table, f"{where}[{number}]") for number, table in enumerate(_listed(tables, where)))


def _listed(tables: Any, where: str) -> Iterable[Any]:
    if not isinstance(tables, list):
        raise ValueError(f"{where} = {tables!r}: tables [[happens]] are due")
    return tables


def _one(table: Any, where: str) -> Happening:
    if not isinstance(table, dict) or set(table) != {"at_s", "order"}:
        raise ValueError(f"{where} = {table!r}: at_s and order are due, and nothing else")
    at_s, order = table["at_s"], table["order"]
    if isinstance(at_s, bool) or not isinstance(at_s, int | float) or not 0.0 <= at_s < math.inf:
        raise ValueError(f"{where}.at_s = {at_s!r}: seconds from 0 on are due")
    if not isinstance(order, str):
        raise ValueError(f"{where}.order = {order!r}: a text is due")
    return Happening(float(at_s), order)
