"""What one cell of each chemistry bears: the rows every limit of a run is stacked from.

End points are common practice of the trade, no source; the data sheet of the cell always wins inside them. The steps
between the levels are this project's judgement: far enough apart that noise and lead drop do not run one into the
next, near enough that each acts before harm.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ChemistryRow:
    """Limits of one cell. Volts per cell, temperatures in degrees Celsius.

    Falling: ``cut_off`` ends a discharge, ``low`` trips, ``own_stop`` is set in the load itself, ``never_below``.
    Rising: ``target`` is charged to, ``high`` trips, ``over_volts`` is set in the supply itself, ``never_above``.
    ``cut_off_unwatched`` takes the place of ``cut_off`` where nothing watches the single cells: volts of a pack do not
    bound volts of a cell. ``lithium``: never charged where nothing watches the single cells.
    """

    name: str
    nominal: float
    full_rest: float
    cut_off: float
    cut_off_unwatched: float
    low: float
    own_stop: float
    never_below: float
    target: float
    high: float
    over_volts: float
    never_above: float
    charge_temp_min_c: float
    charge_temp_max_c: float
    discharge_temp_min_c: float
    discharge_temp_max_c: float
    lithium: bool


CHEMISTRIES: dict[str, ChemistryRow] = {
    row.name: row
    for row in (
        ChemistryRow(
            name="lifepo4",
            nominal=3.2,
            full_rest=3.36,
            cut_off=2.50,
            cut_off_unwatched=2.75,
            low=2.40,
            own_stop=2.30,
            never_below=2.00,
            target=3.60,
            high=3.70,
            over_volts=3.75,
            never_above=3.80,
            charge_temp_min_c=0.0,
            charge_temp_max_c=45.0,
            discharge_temp_min_c=-20.0,
            discharge_temp_max_c=60.0,
            lithium=True,
        ),
        ChemistryRow(
            name="nmc",
            nominal=3.65,
            full_rest=4.20,
            cut_off=3.0,
            # The same 0.25 V above the usual end as for LiFePO4 (judgement).
            cut_off_unwatched=3.25,
            low=2.8,
            own_stop=2.7,
            never_below=2.5,
            target=4.20,
            high=4.23,
            over_volts=4.25,
            never_above=4.30,
            charge_temp_min_c=0.0,
            charge_temp_max_c=45.0,
            discharge_temp_min_c=-20.0,
            discharge_temp_max_c=60.0,
            lithium=True,
        ),
        ChemistryRow(
            name="agm",
            nominal=2.0,
            full_rest=2.16,
            cut_off=1.75,
            # Lead-acid blocks have no cell protection as a rule and are used to this end all the same.
            cut_off_unwatched=1.75,
            low=1.65,
            own_stop=1.60,
            never_below=1.50,
            target=2.45,
            high=2.50,
            over_volts=2.55,
            never_above=2.60,
            charge_temp_min_c=-15.0,
            charge_temp_max_c=40.0,
            discharge_temp_min_c=-20.0,
            discharge_temp_max_c=50.0,
            lithium=False,
        ),
    )
}

HIGH_RATE_IT = 1.0
"""From this rate on the discharge levels of a lead-acid cell lie 0.1 V lower (common practice)."""


@dataclass(frozen=True, slots=True)
class DischargeLevels:
    """Volts per cell, falling."""

    cut_off: float
    low: float
    own_stop: float
    never_below: float


def discharge_levels(row: ChemistryRow, *, rate_it: float | None, watched: bool) -> DischargeLevels:
    """The falling levels of a cell, V, at ``rate_it`` (None: below 1 It), ``watched`` when a BMS guards each cell."""
    if not row.lithium and rate_it is not None and not rate_it < HIGH_RATE_IT:
        # A full 0.1 V on every level would put the load's own stop on never-below itself: it takes the middle.
        low = row.low - 0.1
        return DischargeLevels(row.cut_off - 0.1, low, (low + row.never_below) / 2, row.never_below)
    cut_off = row.cut_off if watched else row.cut_off_unwatched
    return DischargeLevels(cut_off, row.low, row.own_stop, row.never_below)
