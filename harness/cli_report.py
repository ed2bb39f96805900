"""The command that makes reports again: of a run, or of several runs together."""

from __future__ import annotations

import click

from harness.options import FILE
from harness.telling import words


@click.command(short_help="Make the report of a run again, or of the verdict from several.")
@click.argument("folders", metavar="RUN...", nargs=-1, required=True, type=FILE)
@click.option("--out", "out", type=FILE, metavar="DIR", help="Write report.html and plots/ there.")
@click.option("--pdf", is_flag=True, help="Also as report.pdf (needs nightbench[pdf]).")
def report(folders: tuple[str, ...], out: str | None, pdf: bool) -> None:
    """Make the report of RUN again: report.html, and the numbers of its plots under plots/, in its folder.

    Several RUNs together are a pack's and a UPS's: their verdict gets a folder of its own beside them. Every run makes
    its own report when it ends; one that was interrupted has none until this is said. The records are only read.
    """
    from pathlib import Path

    from harness.durable import RecordFailed
    from harness.errors import Usage
    from harness.report import write_verdict_report
    from harness.report.pdf import pdf_ready, write_pdf
    from harness.report.run_report import write_report
    from harness.verdict_folder import run_folders

    if pdf:
        pdf_ready()
    runs = run_folders(folders)
    if not runs:
        raise click.UsageError("RUN: only reports were named; name the folders of runs")
    try:
        if len(runs) > 1:
            written = write_verdict_report(runs, out, pdf=pdf)
        else:
            written = [write_report(runs[0], None if out is None else Path(out))]
            written += [write_pdf(written[0])] if pdf else []
        words("\n".join(f"report: {one}" for one in written))
    except (RecordFailed, OSError) as error:
        raise Usage(f"report: {error}; name a place that takes it with --out DIR") from error
