"""``nightbench replay RUN...``."""

from __future__ import annotations

import click

from harness.options import FILE, JSON
from harness.telling import figures, words


@click.command(short_help="A run again on what its instruments answered: does the same come out?")
@click.argument("folders", metavar="RUN...", nargs=-1, required=True, type=FILE)
@JSON
def replay(folders: tuple[str, ...], as_json: bool) -> None:
    """Run the procedure again on the recorded answers of its instruments, and compare with the record.

    No instrument is reached and nothing is written. Exit code 0: the same messages, samples, events and figures came
    out. 1: something differs, and the first of each kind is shown. 2: a record cannot be played.
    """
    from harness.replay import replay as play
    from harness.replay_words import document, lines_of

    done = []
    for folder in folders:
        done.append(play(folder))
        if not as_json:
            figures("\n".join(lines_of(done[-1])))
    if as_json:
        figures({"runs": [document(one) for one in done]})
    unlike = sum(not one.same for one in done)
    if unlike and len(done) > 1:
        words(f"{unlike} of {len(done)} runs are not as recorded")
    raise SystemExit(1 if unlike else 0)
