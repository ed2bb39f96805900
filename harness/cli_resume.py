"""``nightbench resume RUN``: after a crash or a power cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from harness.options import FILE, JSON, RUN
from harness.telling import figures, words

if TYPE_CHECKING:
    from harness.resume import Next, Past


@click.command(short_help="After a crash: what happened, is all off, what may follow.")
@RUN
@click.option("--bench", "bench", type=FILE, metavar="FILE", help="The bench file, where addresses have changed.")
@click.option("--out", "out", type=FILE, metavar="DIR", help="Where a new folder goes (default: beside the old one).")
@click.option("--seen-off", "seen_off", default="", metavar="SERIAL", help="You looked, it is off: its serial number.")
@JSON
def resume(folder: str, bench: str | None, out: str | None, seen_off: str, as_json: bool) -> None:
    """Say what happened to a run that died, look at its bench again, and go on where that can be.

    It only reads the old folder, and asks you to look at the bench. A bench that may be live is refused until
    `nightbench safe` has shown it off. A voltage-floor sweep goes on in a new run, with all its checks and questions;
    of any other the figures are told that are left, and a new run is yours to start.
    """
    from harness.lines import wrapped
    from harness.one_run import resumed_by_one
    from harness.resume import figure_lines, look_back, past_lines, ready_again

    past = look_back(folder)
    with resumed_by_one(past.folder):
        words(wrapped(past_lines(past)))
        if not as_json:
            figures(wrapped(figure_lines(past.result)))
        following = ready_again(past, bench=bench, out=out, seen_off=seen_off, say=words, ask=_ask)
        words(wrapped((following.words,)))
        _follow(past, following, as_json=as_json)


def _ask(prompt: str) -> str | None:
    """Put a question to whoever sits there; None when nobody does."""
    from harness.asking import interactive, typed_line
    from harness.signals import StopFlag

    if not interactive():
        return None
    with StopFlag() as flag:
        typed = typed_line(prompt, stop=flag.asked)
    if flag.asked():
        raise click.Abort
    return typed or ""


def _follow(past: Past, following: Next, *, as_json: bool) -> None:
    """Do the run that goes on, where there is one, and tell what came of it."""
    from harness.clock import WallClock
    from harness.listing import runs_done_document
    from harness.printout import print_runs
    from harness.report import report_lines
    from harness.resume import go_on
    from harness.screen import Screen

    if following.goes_on is None:
        if as_json:
            figures({"interrupted": past.document, "next": following.words, "runs": []})
        return
    clock = WallClock()
    screen = Screen(wall=clock.now, calendar=lambda: clock.utc().astimezone())
    if not as_json:
        print_runs((go_on(following, screen) for _ in range(1)), False)
    done = go_on(following, screen)
    figures({"interrupted": past.document, "next": following.words, **runs_done_document([done])})
    for line in report_lines([done]):
        words(line)
    raise SystemExit(done.exit_code)
