"""Leads: resistance from length and cross-section, and the current a cross-section bears."""

from __future__ import annotations

CLASS5_OHM_PER_KM: dict[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}
"""Highest resistance at 20 degC, ohm/km, of flexible plain copper: IEC 60228:2004, table 3, class 5."""

MOST_AMPS: dict[float, float] = {
    0.5: 3.0,
    0.75: 6.0,
    1.0: 10.0,
    1.5: 16.0,
    2.5: 25.0,
    4.0: 32.0,
    6.0: 40.0,
    10.0: 63.0,
    16.0: 63.0,
}
"""Most current, A, of a cord: IEC 60335-1, table 11 (from memory; it ends at 10 mm2, so 16 mm2 gets no more)."""


def lead_ohm(*, length_m: float, mm2: float) -> float:
    """Resistance, ohm at 20 degC, of a pair of leads each ``length_m`` long (there and back).

    KeyError when ``mm2`` is not a cross-section of the table.
    """
    return 2.0 * length_m * CLASS5_OHM_PER_KM[mm2] / 1000.0
