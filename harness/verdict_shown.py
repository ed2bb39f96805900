"""What a verdict's report shows beside its words: the measured values it rests on, margins, and the curves behind it.

Plain data, made by who makes the verdict; the report draws it and knows nothing of how it was come by.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.result import Figure

Columns = Mapping[str, Sequence[float | str]]
"""Columns of one length, names ending in their units; nan where a number is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A figure that a run measured. ``figure`` None: not known, ``why`` says why not. ``where``: what it holds under,
    in a few words."""

    figure: Figure | None
    run: str = ""
    why: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleMargin:
    """By how much one rule of the verdict holds: ``margin`` (negative: it does not) against ``limit``, both in one
    unit. ``about``: the rule's line; ``limit_words``: what the limit is."""

    about: str
    margin: Figure
    limit: float
    limit_words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable:
    """The charge between the charger's ceiling and the UPS's floor at ``load_w`` (W on the output).

    ``measured``: columns ``charge_ah`` (from full), ``volts``, ``amps`` of each discharge; ``on_the_ups``: the same as
    they would go on the UPS. ``from_ah`` and ``to_ah``: where the usable charge begins and ends.
    """

    load_w: float
    measured: tuple[Columns, ...]
    on_the_ups: Columns
    from_ah: float
    to_ah: float
    ceiling_v: float
    floor_v: float
    floor_u_v: float
    ends_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """``measured`` by figure id, in the order of the page. ``runtime``: columns ``load_w``, ``runtime_s``,
    ``runtime_plus_minus_s``, ``bound``, ``ends_by``, ``pack_alone_s``. ``load_w``, ``load_w_max`` (W) and
    ``needed_s`` (s) are what the place wants; nan: not said."""

    measured: Mapping[str, Measured] = field(default_factory=dict)
    margins: tuple[RuleMargin, ...] = ()
    runtime: Columns = field(default_factory=dict)
    usable: Usable | None = None
    load_w: float = float("nan")
    load_w_max: float = float("nan")
    needed_s: float = float("nan")


BY_FLOOR, BY_PACK = "UPS", "pack"
"""``ends_by``: the UPS reaches its floor, or the pack its own end before that."""
