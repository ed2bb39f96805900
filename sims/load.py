"""A DC electronic load, electrically: constant current, voltage, resistance or power, with its own limits and stops.

Not modelled: input capacitance, loop oscillation, ripple, slew faster than a millisecond (taken as at once), programming
and reading errors (the panel's matter).
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(slots=True)
class LoadPort:
    """What the front panel sets and what the input does. Amps > 0 are sunk. Call ``World.changed()`` after a change.

    function is "cc", "cv", "cr" or "cp"; r_min ohm is the knee: below r_min x amps the input is that resistor;
    low_volts V (0 = none) held for low_volts_delay_s latches the input off; over_amps A (inf = none) likewise;
    amps_max A limits cv, cr and cp; watts_max W limits all; hot_c and cool_c degC of the heat sink: off, latched until cooler;
    slew A/s (inf = at once).
    """

    function: str = "cc"
    amps_set: float = 0.0
    volts_set: float = 0.0
    ohms_set: float = 1000.0
    watts_set: float = 0.0
    input_on: bool = False
    r_min: float = 0.05
    r_regulation: float = 1e-6
    low_volts: float = 0.0
    low_volts_delay_s: float = 0.1
    low_volts_tripped: bool = False
    over_amps: float = math.inf
    over_amps_delay_s: float = 0.05
    over_amps_tripped: bool = False
    hot_c: float = 85.0
    cool_c: float = 60.0
    hot_tripped: bool = False
    sink_j_per_k: float = 400.0
    sink_k_per_w: float = 0.15
    sink_temp_c: float = math.nan
    amps_max: float = 30.0
    watts_max: float = math.inf
    volts_max: float = 120.0
    slew: float = math.inf
    r_reverse: float = math.inf
    remote_sense: bool = False

    def clear_trips(self) -> None:
        """Forget the latched stops whose cause is gone; the input stays off until it is switched on again."""
        self.low_volts_tripped = False
        self.over_amps_tripped = False
        if not self.sink_temp_c >= self.cool_c:
            self.hot_tripped = False
