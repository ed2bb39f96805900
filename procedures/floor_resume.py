"""A voltage-floor sweep taken up again at its next undecided level.

Levels that were held before the run died count; the one it died in is tried again. Before that the UPS has to show
that it is the same: it starts on mains as at first, and holds the last level that it had held.
"""

from __future__ import annotations

from contextlib import suppress

from procedures.floor_figures import Swept
from procedures.floor_fold import CUT_OFF, FloorFold
from procedures.floor_sweep import Overdrawn, Sweep
from procedures.plans import settled

NOT_HELD_AGAIN = "a level held before the stop was not held after it"


def rest_of(sweep: Sweep) -> None:
    """What is left of ``sweep``, whose ``run`` holds what was found before; everything when that is nothing."""
    with suppress(Overdrawn):  # why is in the run
        _rest_of(sweep, sweep.run)


def _rest_of(sweep: Sweep, run: Swept) -> None:
    coarse = run.coarse
    assert coarse is not None
    sweep.loaded()
    if not coarse.decided:
        _take_up(sweep, coarse, step_v=settled(sweep.plan.coarse_step_v), lowest_v=sweep.lowest_v)
        if coarse.end_reason == CUT_OFF:
            sweep.fine(coarse)
        return
    good, bad = coarse.last_good, coarse.level
    assert good is not None
    assert bad is not None
    if run.fine is not None and run.fine.held:
        step_v, lowest_v = settled(sweep.plan.fine_step_v), sweep.fine_lowest_v(bad)
        _take_up(sweep, run.fine, step_v=step_v, lowest_v=lowest_v)
        return
    if run.fine is None:
        # It only shows itself right after a cut-off, with mains still away.
        run.restart, run.restart_why = None, "the run before this one died while it was looked for"
    sweep.onto_battery()
    sweep.fine_down(good=good, bad=bad)


def _take_up(sweep: Sweep, fold: FloorFold, *, step_v: float, lowest_v: float) -> None:
    """Go on down a staircase, once the last level that was held is held again."""
    fold.abandon()
    sweep.onto_battery()
    good = fold.last_good
    if good is None:
        if sweep.hold(fold, sweep.start_v):
            sweep.down(fold, sweep.start_v, step_v, lowest_v)
        return
    again = sweep.fold()
    if not (sweep.hold(again, sweep.start_v) and sweep.hold(again, good.set_v)):
        reason = NOT_HELD_AGAIN if again.end_reason == CUT_OFF else again.end_reason
        fold.give_up(reason, t_s=sweep.bench.elapsed())
        return
    sweep.down(fold, good.set_v, step_v, lowest_v)


def to_go_on_with(run: Swept) -> bool:
    """Whether the folds hold anything of a staircase; else all begins anew."""
    return run.coarse is not None
