"""Switching something on, and leaving it: a clean sample, the intent on the disk, on and only as it was armed; off
however the block is left.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

from drivers.load import Load
from drivers.supply import Supply
from harness.arming import too_cold_or_warm
from harness.block import Block, Output
from harness.findings import Finding
from harness.turning import AGAIN_AFTER_S

if TYPE_CHECKING:
    from harness.bench import Bench

Energise = tuple[str, Supply | Load, Callable[[], None]]
"""An output to be switched on: its name, its driver, and what it is told before."""


@contextmanager
def energised(bench: Bench, block: Block, outputs: tuple[Energise, ...]) -> Iterator[Output]:
    """Arm, look, write down, switch on; hand out the block's handle; off when it is left."""
    _arm(bench, outputs)
    _look_before(bench, block)
    bench.note("intent", sync=True, phase=block.phase, amps=block.set_amps, volts=block.set_volts)
    bench.stopping.if_record_failed()
    block.began_s = bench.elapsed()
    bench.life.move(block.phase)
    bench.block = block
    for name, driver, _ in outputs:
        # What was just remembered must still hold: only the switch may have moved.
        _switch_on(bench, name, driver)
    on_s = bench.elapsed()
    _not_stalled(bench, on_s - block.began_s, len(outputs))
    block.began_s = on_s
    output = Output(bench, block.began_s)
    try:
        bench.note("energised", phase=block.phase, on_s=block.began_s)
        yield output
    finally:
        output.release()
        _leave(bench)


def _arm(bench: Bench, outputs: tuple[Energise, ...]) -> None:
    bench.stopping.need_idle("one output at a time: leave the block first")
    bench.stopping.if_asked()
    bench.loop.states.forget()
    for _, driver, arm in outputs:
        bench.guarded(arm)
        bench.guarded(partial(bench.watchdogs.arm, driver))
    remember(bench)


def _look_before(bench: Bench, block: Block) -> None:
    """What must be so just before switching on, and what the volts at rest are."""
    bench.turns.clean_sample()
    if bench.site.subject == "pack" and math.isnan(bench.loop.rested_volts(block.phase)):
        bench.wait_until(bench.clock.now() + AGAIN_AFTER_S)
        bench.turns.clean_sample()
    block.volts_before_on = bench.loop.rested_volts(block.phase)
    why = too_cold_or_warm(bench.site, phase=block.phase, temp_c=bench.loop.pack_temp_c)
    if why is not None:
        bench.stopping.trip(Finding("temperature", f"before switching on: {why}"))
    bench.stopping.if_asked()
    bench.turns.awake()


def _switch_on(bench: Bench, name: str, driver: Supply | Load) -> None:
    """On, and only as it was armed: an instrument that restarted since then has other limits. Its line is not
    opened anew between the look at them and the order."""
    with driver.session.held():
        words = bench.guarded(partial(bench.loop.states.look_at, name))
        if words is not None:
            bench.stopping.trip(Finding("changed from outside", f"before switching on: {words}"))
        bench.loop.states.expect_switched(name, on=True)
        # The guard hears of it before it is so: from here on its patience is short.
        bench.beats.loop_goes_on()
        bench.guarded(partial(driver.switch, True))


def _not_stalled(bench: Bench, took_s: float, outputs: int) -> None:
    """Nobody looked while it was switched on. After a stall there the step at switch-on, which is to prove off later,
    would be taken from volts that have moved on since."""
    limit_s = outputs * bench.loop.gap_most_s
    if not (took_s <= limit_s):
        text = f"{took_s:.0f} s for switching on, limit {limit_s:g} s"
        bench.stopping.trip(Finding("sampling late", text, exit_code=24))


def _leave(bench: Bench) -> None:
    if not bench.life.energised:
        return
    bench.life.move("release")
    unwatched_s, reason = bench.loop.unwatched_s, bench.block.reason or "end of the block"
    report = bench.stopping.drive_off(keeps_contactor=True)
    bench.loop.states.all_off(but=bench.rig.switch("contactor"))
    left, bench.block = bench.block, Block(began_s=bench.elapsed())
    bench.stopping.settle_off(report, reason=reason)
    bench.turns.awake(left)
    if unwatched_s > bench.loop.gap_most_s:
        text = f"{unwatched_s:.0f} s without a sample while on, limit {bench.loop.gap_most_s:g} s"
        bench.stopping.trip(Finding("sampling late", text, exit_code=24))
    if report.opened_contactor:
        text = "off was in doubt after the end of a block, and the contactor was opened"
        bench.stopping.trip(Finding("off late", text))
    if report.softened:
        remember(bench)


def remember(bench: Bench) -> None:
    """What every instrument is set to from here on; ends the run where it is not what this run has set."""
    words = bench.guarded(bench.loop.states.remember)
    if words is not None:
        bench.stopping.trip(Finding("changed from outside", words))
