"""Changing what an energised block holds: the envelope is asked again, written down, set and read back."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from harness.arming import need_load, need_stand_in
from harness.block import Block
from harness.findings import Finding
from harness.setpoints import check_sink, check_source, check_stand_in, check_trace

if TYPE_CHECKING:
    from harness.bench import Bench

CHECKS = {"source": check_source, "stand-in": check_stand_in, "trace": check_trace}


def change(bench: Bench, *, amps: float | None, volts: float | None) -> None:
    """New ``amps`` (A) or ``volts`` (V) for the running block; raises what its checks and drivers raise."""
    bench.stopping.again()
    bench.stopping.if_asked()
    block = bench.block
    new_amps = block.set_amps if amps is None else amps
    new_volts = block.set_volts if volts is None else volts
    if block.phase in CHECKS:
        CHECKS[block.phase](bench.site, volts=new_volts, amps=new_amps)
    else:
        check_sink(bench.site, amps=new_amps)
    bench.note("intent", sync=True, phase=block.phase, amps=new_amps, volts=new_volts)
    bench.stopping.if_record_failed()
    changes = False
    if block.phase == "trace":
        function = "cc" if amps is not None else "cv"
        changes, block.function = function != block.function, function
    if block.function == "cv":
        new_amps = block.amps_most  # not set, only watched
    bench.guarded(lambda: _set(bench, block, new_amps, new_volts, changes=changes))
    block.set_amps, block.set_volts = new_amps, new_volts


def _set(bench: Bench, block: Block, amps: float, volts: float, *, changes: bool) -> None:
    states = bench.loop.states
    if block.phase in ("source", "stand-in"):
        name, supply = need_stand_in(bench.rig)
        states.expect(name, "amps", supply.set_amps(amps=amps))
        states.expect(name, "volts", supply.set_volts(volts=volts))
        return
    name, load = need_load(bench.rig)
    if block.phase == "trace" and block.function == "cv":
        states.expect(name, "volts", load.set_volts(volts=volts))
    else:
        states.expect(name, "amps", load.set_amps(amps=amps))
    if changes:
        # Its new level is set already. A load may open its input when it is given another function: it is closed again;
        # but not one that somebody else has opened.
        if not load.input_is_on():
            bench.stopping.trip(Finding("changed from outside", f"{name}: input was on, is off; not by this run"))
        states.expect(name, "function", block.function)
        load.set_function(block.function)
        load.switch(True)


def end_help(bench: Bench) -> None:
    """Switch off the supply that stands beside the tracing load; nothing when there is none."""
    bench.stopping.again()
    if not bench.block.helped:
        return
    name, supply = need_stand_in(bench.rig)
    bench.guarded(partial(supply.switch, False))
    bench.loop.states.expect_switched(name, on=False)
    bench.block.helped = False
    bench.note("help ended", instrument=name)
