"""The lug at the pack's terminal: warmed by what its joint takes out of the current, cooled by its lead.

A constant heat flow between two looks is solved exactly (an exponential).

Not modelled: the joint's resistance rising with its own temperature, heat into the pack, the other joints.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sims.world import World

SOUND_OHM = 0.0003
"""Of a joint that is tight."""

J_PER_K = 3.9
"""Ten grams of copper at 0.385 J/(g K)."""

K_PER_W = 12.0
"""From lug to room along its lead (judgement)."""


class Lug:
    """Follows the pack's joint of ``world``; what its lead has more than at first is in the joint."""

    def __init__(self, world: World) -> None:
        self._world, self._t = world, world.t
        self._first_ohm = world.leads.r_pack
        self._above_k = 0.0
        """Above where it would be without a current, K."""

    def temp_c(self) -> float:
        """Now, degC."""
        world = self._world
        passed, self._t = world.t - self._t, world.t
        ohm = SOUND_OHM + max(0.0, world.leads.r_pack - self._first_ohm)
        aim_k = world.pack_amps**2 * ohm * K_PER_W
        self._above_k = aim_k + (self._above_k - aim_k) * math.exp(-passed / (J_PER_K * K_PER_W))
        return 0.5 * (world.temp_c("pack") + world.temp_c("ambient")) + self._above_k
