"""One sample: everything the bench knew at one instant."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

SWITCHED = {
    "mains": "mains_on",
    "ac-load": "ac_load_on",
    "warning": "warning_on",
    "ac-output": "ac_output_on",
    "output": "output_on",
    "cc": "cc_on",
    "driven": "driven_on",
}
"""What can be on or off -> its column. ``output``, ``cc`` and ``driven`` are the supply's."""

OPENED_ANEW = "opened anew"
"""Says in ``flags`` that a line was opened in this turn and its instrument waited for until it had started."""


@dataclass(frozen=True, slots=True)
class Sample:
    """What was read in one turn of the loop.

    Units are in the names. ``pack_amps`` is positive when charge leaves the pack, negative when it is charged.
    ``charge_ah`` and ``energy_wh`` are net out of the pack since the run began. A reading that was missing or not a
    number is ``nan`` and named in ``flags``. ``readings`` holds what each instrument said, keyed ``<name>_volts``,
    ``<name>_amps``, ``<name>_temp_c``, each positive in the instrument's own normal direction.

    With a UPS on the bench its battery terminals take the pack's place: ``pack_volts`` are theirs, ``pack_amps`` is
    positive when the UPS draws and negative when its charger pushes, and ``readings`` also holds what is on or off
    (1 or 0; nan: not known) under the names of ``SWITCHED``. ``marks`` are an operator's since the last sample.
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
    marks: tuple[str, ...] = ()

    def switched(self, what: str) -> bool | None:
        """Whether ``what`` of ``SWITCHED`` is on; ``None`` when that is not known or nobody looks."""
        value = self.readings.get(SWITCHED[what], math.nan)
        return None if math.isnan(value) else value != 0.0

    @property
    def mains(self) -> bool | None:
        """Whether the UPS has mains."""
        return self.switched("mains")

    @property
    def contacts(self) -> dict[str, bool]:
        """``warning`` and ``ac-output``, where a contact tells: is the warning there, is the output alive."""
        seen = {what: self.switched(what) for what in ("warning", "ac-output")}
        return {what: on for what, on in seen.items() if on is not None}

    @property
    def supply_mode(self) -> str:
        """What the supply holds: "cv", "cc", "driven" (something stronger holds the node), "off", or "" when it was not
        asked or did not say."""
        on, limits, driven = (self.switched(what) for what in ("output", "cc", "driven"))
        if on is False:
            return "off"
        if on is None or limits is None or driven is None:
            return ""
        return "driven" if driven else "cc" if limits else "cv"
