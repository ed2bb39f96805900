"""The report of a verdict from several runs: a folder of its own with the page, the verdict and the plots' numbers.

verdict-<start of the newest run>-<pack>-on-<ups>/   report.html  verdict.json  plots/NAME.csv
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.cautions import CAUTIONS
from harness.folder import RunFolder, safe_name
from harness.report.fit_pictures import fit_pictures
from harness.report.fit_words import fit_words, main_figures
from harness.report.look import FRAMES
from harness.report.page import Page, render
from harness.report.plots import Drawn
from harness.report.run_words import NEVER_MEASURED, NOT_CERTIFIED
from harness.report.several_files import newest_stamp, save_several
from harness.report.several_words import OneRun, read_runs
from harness.verdict import Judgement, judgement_document, verdict_maker
from harness.verdict_shown import Shown

FRAME_OF = {
    "fits": "finished",
    "fits with conditions": "stopped",
    "does not fit": "tripped",
    "cannot tell": "interrupted",
}
"""Class -> the outcome with whose stroke its sentence is framed."""


def write_fit_report(folders: Sequence[RunFolder], out: Path | None = None, *, pdf: bool = False) -> list[Path]:
    """Judge the runs and write their report into ``out``, else into a folder beside the newest run; what was written
    that people open, the page first.

    Raises ``UserError`` for runs that do not go together, a place that holds something else, and ``--pdf`` without its
    extra; ``RecordFailed`` when it cannot be written.
    """
    made, shown = verdict_maker("fit").shown(folders)
    runs = read_runs(folders)
    place = out or _place(made, runs)
    return save_several(
        place,
        list(fit_pictures(made, shown)),
        lambda pictures: page_of(made, shown, runs, pictures),
        simulated=made.simulated,
        document={"verdict.json": judgement_document(made)},
        pdf=pdf,
    )


def _place(made: Judgement, runs: Sequence[OneRun]) -> Path:
    name = f"verdict-{newest_stamp(runs)}-{safe_name(made.pack)}-on-{safe_name(made.ups)}"
    return runs[-1].facts.folder.path.resolve().parent / name


def page_of(made: Judgement, shown: Shown, runs: Sequence[OneRun], pictures: list[Drawn]) -> str:
    """The page as HTML; touches no file."""
    return render(
        "fit.html",
        page=_head(made, shown, runs),
        actions=made.next_actions,
        pictures=pictures,
        words=fit_words(made, shown, runs),
        never=NEVER_MEASURED,
        not_certified=NOT_CERTIFIED,
        cautions=CAUTIONS,
    )


def _head(made: Judgement, shown: Shown, runs: Sequence[OneRun]) -> Page:
    begun = [run.facts.result.started for run in runs]
    _, _, said = made.sentence.partition(": ")
    return Page(
        title=f"{made.pack} on {made.ups}",
        simulated=made.simulated,
        about=[f"{len(runs)} runs", f"{begun[0]} to {begun[-1]}"],
        word=made.verdict,
        frame=FRAMES[FRAME_OF[made.verdict]],
        sentence=made.sentence if not said else f"{said[:1].upper()}{said[1:]}",
        main=main_figures(made, shown),
        running=f"{made.pack} on {made.ups}: {made.verdict}",
        foot=[
            "Made from the folders of these runs alone; nightbench report with their names makes it again.",
            "Uncertainties are expanded ones, for about 95 % (JCGM 100:2008, the GUM).",
        ],
    )
