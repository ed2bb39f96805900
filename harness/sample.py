"""One sample: everything the bench knew at one instant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Sample:
    """What was read in one turn of the loop.

    Units are in the names. ``pack_amps`` is positive when charge leaves the pack, negative when it is charged.
    ``charge_ah`` and ``energy_wh`` are net out of the pack since the run began. A reading that was missing or not a
    number is ``nan`` and named in ``flags``. ``readings`` holds what each instrument said, keyed ``<name>_volts``,
    ``<name>_amps``, ``<name>_temp_c``, each positive in the instrument's own normal direction.
    """

    elapsed_s: float
    utc: str
    state: str
    pack_volts: float
    pack_amps: float
    charge_ah: float
    energy_wh: float
    pack_temp_c: float
    readings: Mapping[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
