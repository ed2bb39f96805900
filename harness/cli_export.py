"""``nightbench export RUN... --to FILE``."""

from __future__ import annotations

import click

from harness.options import FILE, JSON
from harness.telling import figures, words


@click.command(short_help="Runs in one file: CSV, Parquet, JUnit XML, or a zip to hand over.")
@click.argument("folders", metavar="RUN...", nargs=-1, type=FILE)
@click.option(
    "--to",
    "to",
    type=FILE,
    required=True,
    metavar="FILE",
    help="Where to; its ending says what: .csv, .parquet, .xml (JUnit) or .zip. Never over a file that is there.",
)
@click.option(
    "--of",
    "of",
    type=click.Choice(["samples", "figures"]),
    default="samples",
    show_default=True,
    help="Of which a .csv or .parquet is made.",
)
@JSON
def export(folders: tuple[str, ...], to: str, of: str, as_json: bool) -> None:
    """Write runs to one file for other programs or other people; the runs stay as they are.

    A .csv holds the samples of all runs, a row each, or their figures, with metadata beside it (W3C CSV on the Web); a
    .parquet the same; an .xml what continuous integration reads; a .zip the folders themselves, with a manifest.
    """
    from harness.export import export as write

    done = write(folders, to, of=of)
    words(done.words)
    if as_json:
        figures(done.document)
