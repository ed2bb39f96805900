"""A pack on a UPS, played to its end: kept on mains power for long, then mains is lost with a load on the output.

Nothing lies between pack and UPS but what ``leads`` say. What a long float comes to is solved for, not waited for: the
charge at which the cells, come from below and at rest, add up to the charger's volts. A cell that has run empty counts
as the pack's end, as if its management opened there: below, the volts of a real one fall within seconds.

Not modelled: nothing beyond what the world leaves out; a float so short that current still flows.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from sims.pack import Pack
from sims.ups import Ups
from sims.ups_spec import UpsSpec
from sims.world import Leads, World

STEP_S = 4.0
LOOK_S = 60.0
CLOSE_S, CLOSER_S, FINE_S = 5.0, 1.0, 0.1
LONGEST_S = 15 * 24 * 3600.0
"""So long a load is watched, s."""

HALVINGS = 60
BARELY_S = 1e-3
NO_FLOOR_V = 0.5
"""A UPS of this cut-off, V, goes on until the pack opens."""

MAINS_LOST, OUTPUT_OFF = "ups: mains lost", "ups: output off"
EMPTY = "pack: a cell is pushed past full or empty and held there"
PATH_OPENED = ("discharge path opened", "both paths opened")

BY_UPS, BY_PACK = "UPS", "pack"


@dataclass(frozen=True, slots=True)
class HoldUp:
    """From the loss of mains to that of the output: s, Ah out of the pack, Wh into the UPS; which of the two ended it.

    ``opens_v``: V at the UPS just before the pack would open if the UPS went on, or did open.
    """

    seconds: float
    charge_ah: float
    energy_wh: float
    ended_by: str
    opens_v: float


def floated(full: Pack, *, volts: float) -> tuple[Pack, float]:
    """``full`` as a long float at ``volts`` (V at its terminals) leaves it when it comes from below, and the charge it
    then lacks against ``full``, Ah. It is negative where the float fills it further.

    The float ends where the first cell is full, or would open the pack.
    """
    coulombs, cell, most_v = full.model.coulombs, full.model.spec, _most_v(full)
    least = -min((1.0 - z) * c for z, c in zip(full.z, coulombs, strict=True))
    most = min(z * c for z, c in zip(full.z, coulombs, strict=True))

    def reached(lacking: float) -> bool:
        each = [cell.ocv.value(z) + cell.hyst_volts for z in _lowered(full, lacking)]
        return sum(each) >= volts or max(each) >= most_v

    lacking = _last(reached, least, most)
    return lowered(full, lacking, hyst=1.0), lacking / 3600.0


def _most_v(pack: Pack) -> float:
    return math.inf if pack.bms is None else pack.bms.spec.cell_high_volts


def _lowered(pack: Pack, coulombs: float) -> list[float]:
    """States of charge with so much less in every cell."""
    return [max(z - coulombs / c, 0.0) for z, c in zip(pack.z, pack.model.coulombs, strict=True)]


def _last(holds: Callable[[float], bool], low: float, high: float) -> float:
    """The largest value at which it still holds, between one at which it does and one at which it does not; an end
    where it does throughout, or nowhere."""
    if not holds(low) or holds(high):
        return high if holds(high) else low
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def lowered(full: Pack, coulombs: float, *, hyst: float) -> Pack:
    """A pack at rest and of the same kind, each cell with so much less in it; ``hyst`` tells which way it came."""
    made = copy.deepcopy(full)
    n, cells = len(made.z), made.cells
    cells.z, cells.hyst = _lowered(full, coulombs), [hyst] * n
    cells.v1, cells.v2, cells.v3, cells.bled = ([0.0] * n for _ in range(4))
    made.model.refresh(cells)
    return made


def held_up(pack: Pack, spec: UpsSpec, *, ac_w: float, room_c: float, leads: Leads = Leads()) -> HoldUp:  # noqa: B008
    """What ``pack`` gives to a UPS with ``ac_w`` W on its output. The pack is left as it is.

    Raises RuntimeError when nothing ends it in ``LONGEST_S``.
    """
    world = on_battery(pack, spec, ac_w=ac_w, room_c=room_c, leads=leads)
    before, ended = _play(world)
    off = before.copy()
    off.advance_to(min(_opened_s(ended), _happened_s(ended, OUTPUT_OFF)))
    by_pack = _opened_s(ended) <= off.t
    return HoldUp(
        seconds=off.t - _happened_s(ended, MAINS_LOST),
        charge_ah=off.charge_ah,
        energy_wh=off.totals.ups_j / 3600.0,
        ended_by=BY_PACK if by_pack else BY_UPS,
        opens_v=_last_volts(before, ended) if by_pack else opens_at(before),
    )


def on_battery(pack: Pack, spec: UpsSpec, *, ac_w: float, room_c: float, leads: Leads = Leads()) -> World:  # noqa: B008
    """Pack and UPS on one node at the moment mains is lost; they keep what they were given to themselves."""
    ups = Ups(spec, mains_on=True, ac_load_w=ac_w)
    world = World(pack=copy.deepcopy(pack), ups=ups, leads=leads, ambient_c=room_c)
    world.hook_up("both")
    world.long_steps(STEP_S)
    ups.mains_on = False
    world.changed()
    return world


def opens_at(world: World) -> float:
    """V at the UPS just before the pack opens if the UPS of ``world``, on its battery, never cut off; the volts at
    which it cannot go on where the pack does not open before."""
    world = world.copy()
    ups = world.ups
    assert ups is not None
    ups.spec = replace(ups.spec, cutoff_v=NO_FLOOR_V, cutoff_fall_v=0.0, uvlo_v=NO_FLOOR_V)
    world.changed()
    return _last_volts(*_play(world))


def _play(world: World) -> tuple[World, World]:
    """The world shortly before UPS or pack ends it, and shortly after."""
    before, ended = _until_ended(world, LOOK_S)
    empty_s = _happened_s(ended, EMPTY)
    if math.isinf(empty_s):
        return before, ended
    # That a cell ran empty is told at the end of a step only.
    if empty_s - CLOSE_S > before.t:
        before.advance_to(empty_s - CLOSE_S)
    before.long_steps(FINE_S)
    return _until_ended(before, CLOSER_S)


def _until_ended(world: World, look_s: float) -> tuple[World, World]:
    """The world up to ``look_s`` before it ends, and a little after that."""
    end_s, before = world.t + LONGEST_S, world
    while math.isinf(min(_opened_s(world), _happened_s(world, OUTPUT_OFF))):
        if world.t > end_s:
            raise RuntimeError(f"hold-up: still on after {LONGEST_S:g} s; put a load on the output that draws more")
        before = world.copy()
        world.advance_to(world.t + look_s)
    return before, world


def _happened_s(world: World, *ends: str) -> float:
    """When the first event whose words end so was told, s; inf while it was not."""
    return next((event.t_s for event in world.events if event.what.endswith(ends)), math.inf)


def _opened_s(world: World) -> float:
    return _happened_s(world, *PATH_OPENED, EMPTY)


def _last_volts(before: World, ended: World) -> float:
    at = before.copy()
    ends_s = min(_opened_s(ended), _happened_s(ended, OUTPUT_OFF))
    at.advance_to(max(ends_s - BARELY_S, at.t))
    return at.volts_at("ups")
