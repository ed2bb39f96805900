"""``nightbench alarm``: does a message get through?"""

from __future__ import annotations

import click

from harness.options import BENCH
from harness.telling import words


@click.command(short_help="Send a test message to each alarm the bench names.")
@BENCH
def alarm(bench: str) -> None:
    """Send a test message to each alarm that the bench file names; nothing is switched on, no instrument is asked.

    What the names mean stands in ~/.config/nightbench/alarms.toml, which only you may read.
    """
    from harness.alarms import send_tests_now
    from harness.config import load_bench
    from harness.errors import PreflightRefused, Usage

    file = load_bench(bench)
    if not file.alarms:
        raise Usage(f'{file.path}: no alarms; add a line alarms = ["NAME"] and a table [NAME] to your alarms.toml')
    if why := send_tests_now(file.alarms, f"bench {file.name}"):
        raise PreflightRefused(why)
    words(f"sent: {', '.join(file.alarms)}; look whether it arrived")
