"""What a UPS's battery terminals draw while its charger is off: constant power while it runs, next to nothing else.

Not modelled: ripple at twice the mains frequency, a start that ramps, what a reversed battery would destroy.
"""

from __future__ import annotations

from sims.charger import IDLE_SIEMENS
from sims.circuit import Piece
from sims.events import NODE_VOLTS

KNEE_VOLTS = 1.0
"""Below this the draw while off falls to nothing, V."""

LEAST_WATTS = 1e-6


def inverter_pieces(watts: float, least_volts: float) -> tuple[Piece, ...]:
    """Constant power down to ``least_volts``; a resistor below, where the inverter is about to stop."""
    watts = max(watts, LEAST_WATTS)
    return (
        Piece("inverter", v_low=least_volts, watts=watts, watches=((NODE_VOLTS, least_volts, float("inf")),)),
        Piece(
            "collapsed", v_high=least_volts, siemens=watts / least_volts**2,
            watches=((NODE_VOLTS, float("-inf"), least_volts),),
        ),
    )  # fmt: skip


def off_pieces(amps: float) -> tuple[Piece, ...]:
    """Constant ``amps`` down to a volt, then falling to nothing."""
    leak = max(amps / KNEE_VOLTS, IDLE_SIEMENS)
    return (
        Piece("off", v_low=KNEE_VOLTS, amps=-leak * KNEE_VOLTS, watches=((NODE_VOLTS, KNEE_VOLTS, float("inf")),)),
        Piece("off", v_high=KNEE_VOLTS, siemens=leak, watches=((NODE_VOLTS, float("-inf"), KNEE_VOLTS),)),
    )  # fmt: skip
