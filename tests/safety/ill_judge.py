"""The judge of a night on ill-mannered instruments: what the world shows, what was said, how long it took."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise

import night as nights
from ill_bench import LIARS, Spent
from ill_draw import ACTIVE, Drawn

from harness.samplefile import samples
from sims.manners import Manners

ON_WORDS = re.compile(rb"OUTP\d* ON|INP\d* ON|LOAD ON|ROUT:CLOS \(")
OFF_WORDS = re.compile(rb"OUTP\d* OFF|INP\d* OFF|LOAD OFF|ROUT:OPEN \(")

LATEST_S = 90.0
"""Longest a night may go on, s of bench time, after what it takes when nothing happens (rests, retries, 99)."""

MACHINE_S = 30.0
RELAY_S = 0.1
"""A relay that was told has moved by then, s."""


def left_on(spent: Spent) -> list[str]:
    bench, world = spent.wires.bench, spent.wires.bench.world
    spent.clock.sleep(RELAY_S)
    bench.advance()
    world.changed()
    found = []
    if world.supply.output_on:
        found.append("supply")
    if world.load.input_on:
        found.append("load")
    if world.hooked == "pack" and not abs(world.pack_amps) <= nights.NO_CURRENT_A:
        found.append(f"{world.pack_amps:.3f} A from the pack")
    if world.ups is not None and world.ups.mains_on:
        found.append("mains")
    said = any(hit.what == "says" and hit.name == "supply" and hit.done_s is not None for hit in spent.drawn.hits)
    for channel, output in enumerate(spent.wires.outputs, start=1):
        # What somebody else switches on of an instrument's other channels is his own.
        if output.world is not world and output.port.output_on and not said:
            found.append(f"channel {channel}")
    for name, relay in bench.switches.items():
        if relay.closed and name != "mains":
            found.append(name)
    return found


def unreachable(spent: Spent) -> bool:
    """Whether somebody who may have been on can not be told anything."""
    wires, manners = spent.wires, spent.drawn.manners
    crowded = {
        hit.name for hit in spent.drawn.hits if hit.what == "crowd" and manners.get(hit.name, Manners()).clients_max
    }
    return bool(wires.deaf | wires.gone | crowded)


def in_local(spent: Spent) -> bool:
    """Whether somebody took an instrument to local whose dialect knows no way back."""
    panels = spent.wires.bench._fitting.panels
    return any(not panel.key.remote for panel in panels.values())


def meddled_late(spent: Spent, messages: int = 30) -> bool:
    """Whether somebody switched something on after off was confirmed: amid the last so many messages."""
    return any(hit.heard >= len(spent.wires.heard) - messages for hit in spent.drawn.hits if hit.what in ("says", "do"))


def judge(spent: Spent, plain: Callable[[Drawn], Spent]) -> list[str]:
    """Everything that is wrong with how a night ended."""
    wrong: list[str] = []
    drawn, wires, code = spent.drawn, spent.wires, spent.exit_code
    if spent.crash:
        wrong.append(spent.crash)
    if code not in nights.OFF_CONFIRMED | nights.NOTHING_ENERGISED | nights.NOT_OFF:
        wrong.append(f"exit {code} is not in the table")
    left = left_on(spent)
    loud = any("TREAT THE BENCH AS LIVE" in text for text in spent.watch.said)
    if left and code not in nights.NOT_OFF and not meddled_late(spent, 8):
        wrong.append(f"exit {code}, left on: {', '.join(left)}")
    if left and not unreachable(spent) and not (meddled_late(spent) or in_local(spent)):
        wrong.append(f"exit {code}, left on though it can be reached: {', '.join(left)}")
    if code in nights.NOT_OFF and not loud:
        wrong.append("not off, and nobody was told")
    meddled = any(hit.done_s is not None and hit.what in ("says", "do") for hit in drawn.hits)
    if code in nights.NOTHING_ENERGISED and wires.was_on and not meddled:
        wrong.append(f"exit {code} says nothing was energised, something was")
    if wires.wrong_on and not meddled and code == 0:
        wrong.append(f"finished, and {wires.wrong_on}")
    world = wires.bench.world
    cells = list(world.pack.cell_volts(world.pack_amps))
    if min(cells) < 2.0 or max(cells) > 3.80:
        wrong.append(f"cells at {min(cells):.3f} to {max(cells):.3f} V")
    wrong += in_time(spent)
    if spent.machine_s > MACHINE_S:
        wrong.append(f"took {spent.machine_s:.1f} s of the machine")
    first = plain(drawn)
    delays = max((m.reply_delay_s + m.gap_s for m in drawn.manners.values()), default=0.0)
    if spent.clock.now() > first.clock.now() * (1.6 + 6.0 * delays) + LATEST_S:
        wrong.append(f"took {spent.clock.now():.0f} s of the bench, {first.clock.now():.0f} s alone")
    if code == 0:
        wrong += figures_off(spent, first)
    if spent.watch.folder is not None and spent.done is not None:
        night = nights.Night(None, code, wires, spent.clock, spent.watch.said, folder=spent.watch.folder)  # type: ignore[arg-type]
        wrong += nights.record_wrong(night)
    return wrong


def figures_off(spent: Spent, first: Spent) -> list[str]:
    found: list[str] = []
    if spent.why != first.why:
        return found  # it ended otherwise, and says so
    for name, figure in spent.figures.items():
        expected = first.figures.get(name)
        if expected is None:
            found.append(f"figure {name} = {figure.value}, which the plain bench has not")
        elif isinstance(figure.value, int | float):
            doubt = (figure.expanded_uncertainty or 0.0) + (expected.expanded_uncertainty or 0.0)
            lies = [hit for hit in spent.drawn.hits if hit.what in LIARS and hit.done_s is not None]
            if name in ("mean_v", "capacity_wh", "charge_in_wh", "recovery_v") and lies:
                continue  # one false reading of the ten of so short a night
            if name.startswith("charge_in"):
                # The current goes on until the sample in which it is seen to have fallen: that much more goes in.
                doubt += abs(figure.value) * spacing_s(spent) / max(figure.value / expected.value * 20.0, 1.0)
            if not abs(figure.value - expected.value) <= doubt + 1e-9:
                found.append(f"figure {name} = {figure.value}, plain {expected.value}, U {doubt}")
        elif figure.value != expected.value:
            found.append(f"figure {name} = {figure.value}, plain {expected.value}")
    return found


def spacing_s(spent: Spent) -> float:
    """The longest time between two rows, s."""
    assert spent.watch.folder is not None
    times = [row.elapsed_s for row in samples(spent.watch.folder)]
    return max((after - before for before, after in pairwise(times)), default=0.0)


def in_time(spent: Spent) -> list[str]:
    """From what lasts and happened on the way until somebody was told to switch off."""
    wires, active = spent.wires, ACTIVE[spent.drawn.procedure]
    ons = [t for t, who, m in wires.heard if who == active and ON_WORDS.search(m)]
    wrong = []
    for hit in spent.drawn.hits:
        if hit.done_s is None or hit.what not in ("mute", "deaf") or not ons or not ons[0] <= hit.done_s:
            continue
        if hit.name not in ("supply", "load"):
            continue
        offs = [t for t, who, m in wires.heard if t >= ons[0] and who == active and OFF_WORDS.search(m)]
        late = offs[0] - hit.done_s if offs else float("inf")
        allowed = nights.OFF_SENT_WITHIN_S if hit.name == active else nights.IDLE_OFF_SENT_WITHIN_S
        if not late <= allowed:
            wrong.append(f"off sent {late:.1f} s after {hit.name} was {hit.what}")
    return wrong
