"""A one-quadrant DC supply, electrically: a voltage behind a small resistance, limited in current both ways.

Not modelled: ripple, output inductance, foldback, mains side, warm-up; programming and reading errors (the panel's
matter); a supply that can sink more than its bleed current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(slots=True)
class SupplyPort:
    """What the front panel sets and what the output does. Amps > 0 are sourced. Call ``World.changed()`` after a change.

    volts_set V, amps_set A; over_volts V (inf = none); slew V/s (inf = at once); r_source and r_bleed ohm;
    i_bleed A, the most the output takes in while it is driven from outside; c_out F;
    sense_volts_max V, the largest drop in the leads that remote sense makes good.
    """

    volts_set: float = 0.0
    amps_set: float = 0.0
    output_on: bool = False
    over_volts: float = math.inf
    over_volts_delay_s: float = 0.001
    over_amps_enabled: bool = False
    over_amps_delay_s: float = 0.05
    over_volts_tripped: bool = False
    over_amps_tripped: bool = False
    remote_sense: bool = False
    sense_volts_max: float = 1.5
    r_source: float = 0.005
    i_bleed: float = 0.02
    r_bleed: float = 5000.0
    r_reverse: float = math.inf
    c_out: float = 0.0
    slew: float = math.inf
    volts_max: float = 60.0
    amps_max: float = 10.0
    mode: str = "off"

    def clear_trips(self) -> None:
        """Forget the latched trips; the output stays off until it is switched on again."""
        self.over_volts_tripped = False
        self.over_amps_tripped = False
