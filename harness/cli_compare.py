"""``nightbench compare RUN RUN...``."""

from __future__ import annotations

import click

from harness.options import FILE, JSON
from harness.telling import figures, words


@click.command(short_help="Runs against the earliest of them: what changed, beyond what doubt.")
@click.argument("folders", metavar="RUN RUN...", nargs=-1, type=FILE)
@click.option(
    "--report", "place", type=FILE, metavar="DIR", help="Also write its report there: report.html and plots/."
)
@click.option("--pdf", is_flag=True, help="With --report: also as report.pdf (needs nightbench[pdf]).")
@JSON
def compare(folders: tuple[str, ...], place: str | None, pdf: bool, as_json: bool) -> None:
    """Say what changed from the earliest RUN to each later one; nothing is switched.

    Like with like: the same procedure, rate, cut-off, temperature and place of the volts. Else a warning in words, and
    no percentage. What both runs owe to one instrument with one calibration cancels from the doubt of a change.
    """
    from harness.compare import compare as made_of
    from harness.compare_words import comparison_document, comparison_text
    from harness.verdict_folder import run_folders

    if pdf and place is None:
        raise click.UsageError("--pdf goes with --report DIR")
    runs = run_folders(folders)
    made = made_of(runs)
    if place is not None:
        from harness.report.compare_report import write_compare_report

        written = write_compare_report(made, runs, place, pdf=pdf)
        figures(comparison_document(made) if as_json else comparison_text(made))
        words("\n".join(f"report: {one}" for one in written))
        return
    figures(comparison_document(made) if as_json else comparison_text(made))
