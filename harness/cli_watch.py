"""``nightbench watch``: a run seen from another terminal, or on a page; and a stop that is asked for from there."""

from __future__ import annotations

import click

from harness.options import RUN
from harness.telling import words


@click.command(short_help="Watch a run that is on; stop it from another terminal.")
@RUN
@click.option("--stop", is_flag=True, help="Ask the run to switch off and end, as Ctrl-C does where it runs.")
def watch(folder: str, stop: bool) -> None:
    """Watch a run in this terminal, or in plain lines in a pipe. It reads the run's folder and nothing else."""
    from harness.folder import RunFolder
    from harness.stop_request import ask_stop

    place = RunFolder.open(folder)
    if stop:
        ask_stop(place, by="another terminal (watch --stop)")
        words(f"asked to stop: {place.path}; watch it until it says that off was confirmed")
        return
    from harness.watch_terminal import watch_run

    watch_run(place)
