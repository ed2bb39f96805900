"""The command that makes reports again."""

from __future__ import annotations

import click

from harness.options import FILE
from harness.telling import words


@click.command(short_help="Make the report of a run again.")
@click.argument("folders", metavar="RUN...", nargs=-1, required=True, type=FILE)
@click.option("--out", "out", type=FILE, metavar="DIR", help="Write report.html and plots/ there, not into the run.")
def report(folders: tuple[str, ...], out: str | None) -> None:
    """Make the report of each RUN again: report.html, and the numbers of its plots under plots/.

    Every run makes its own when it ends; one that was interrupted has none until this is said. The record is only read.
    """
    from pathlib import Path

    from harness.durable import RecordFailed
    from harness.errors import Usage
    from harness.folder import RunFolder
    from harness.report.run_report import write_report

    if out is not None and len(folders) > 1:
        raise click.UsageError("--out takes one RUN: two reports in one folder would be written over each other")
    for folder in folders:
        try:
            words(f"report: {write_report(RunFolder.open(folder), None if out is None else Path(out))}")
        except (RecordFailed, OSError) as error:
            raise Usage(f"report: {error}; name a place that takes it with --out DIR") from error
