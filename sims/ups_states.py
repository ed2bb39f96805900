"""The states a simulated UPS can be in.

Not modelled: start-up of its control, bypass, shut-down on command.
"""

from __future__ import annotations

OFF, MAINS, NO_BATTERY, TRANSFER = "off", "mains", "mains, no battery", "transfer"
BATTERY, LOW, SELF_TEST = "battery", "battery low", "self-test"
LATCHED, CUT_OFF, OVERLOAD = "latched off", "cut off, waits for volts", "overload off"

STATES = (OFF, MAINS, NO_BATTERY, TRANSFER, BATTERY, LOW, SELF_TEST, LATCHED, CUT_OFF, OVERLOAD)
RUNNING = (BATTERY, LOW, SELF_TEST)
"""The inverter draws from the battery."""
ON_MAINS = (MAINS, NO_BATTERY)
WITH_OUTPUT = (*ON_MAINS, *RUNNING)
DARK = (OFF, LATCHED, CUT_OFF, OVERLOAD)
