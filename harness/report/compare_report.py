"""The report of a comparison: ``report.html``, ``comparison.json`` and ``plots/`` in a folder that a person names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.cautions import CAUTIONS
from harness.compare import Change, Compared, Comparison, percent_words
from harness.compare_words import comparison_document, plain, title_of
from harness.folder import RunFolder
from harness.report.compare_pictures import compare_pictures
from harness.report.main_figures import MAIN
from harness.report.page import Main, Page, render
from harness.report.plots import Drawn
from harness.report.run_words import NEVER_MEASURED, NOT_CERTIFIED
from harness.report.several_files import save_several
from harness.report.several_words import (
    OneRun,
    changed_limits,
    doubts,
    happened,
    instrument_rows,
    off_rows,
    read_runs,
    wiring,
)

MOST = 4

HOW = (
    "The uncertainty of a change is not that of both runs added: what one instrument with one calibration did to both "
    "alike is no part of a change (JCGM 100:2008, 5.2.2: correlated, r = +1). The difference has what is left of it, "
    "the ratio hardly any. What it drifted meanwhile, and all else, counts for both runs."
)
UNLIKE_HOW = "Unlike runs: nothing is taken to cancel, and no change is given in percent."


def write_compare_report(
    made: Comparison, folders: Sequence[RunFolder], out: Path | str, *, pdf: bool = False
) -> list[Path]:
    """What was written that people open, the page first. Raises ``UserError`` and ``RecordFailed``."""
    runs = read_runs(folders)
    return save_several(
        Path(out),
        list(compare_pictures(made, runs)),
        lambda pictures: page_of(made, runs, pictures),
        simulated=made.simulated,
        document={"comparison.json": comparison_document(made)},
        pdf=pdf,
    )


def page_of(made: Comparison, runs: Sequence[OneRun], pictures: list[Drawn]) -> str:
    """The page as HTML; touches no file."""
    return render(
        "compare.html",
        page=_head(made, runs),
        pairs=[(f"Run {number} against run 1", _rows(one), one, _how(one)) for number, one in enumerate(made.pairs, 2)],
        pictures=pictures,
        runs=runs,
        off=off_rows(runs),
        doubts=doubts(runs),
        changed_limits=changed_limits(runs),
        happened=happened(runs),
        instruments=instrument_rows(runs),
        wiring=wiring(runs),
        never=NEVER_MEASURED,
        not_certified=NOT_CERTIFIED,
        cautions=CAUTIONS,
    )


def _head(made: Comparison, runs: Sequence[OneRun]) -> Page:
    last = made.pairs[-1]
    like = not any(one.unlike for one in made.pairs)
    sentences = list(dict.fromkeys(one.sentence for one in made.pairs))
    return Page(
        title=f"{last.procedure} of {last.name}, compared",
        simulated=made.simulated,
        about=[f"{len(runs)} runs", f"{runs[0].facts.result.started} to {runs[-1].facts.result.started}"],
        word="like with like" if like else "not like with like",
        frame="solid" if like else "double",
        sentence=sentences[-1],
        more=[*sentences[:-1], *([last.advice] if last.advice else [])],
        main=list(_main(last)),
        running=f"{last.name}: comparison",
        foot=[
            "Made from the folders of these runs alone; nightbench compare makes it again.",
            "Uncertainties are expanded ones, for about 95 % (JCGM 100:2008, the GUM).",
        ],
    )


def _main(one: Compared) -> Iterator[Main]:
    """The changes of the main figures, in percent where they are like."""
    by_name = {change.figure: change for change in one.changes if change.change is not None and not change.at}
    for name in [name for name in MAIN if name in by_name][:MOST]:
        change = by_name[name]
        assert change.change is not None
        words = percent_words(change.ratio) if change.ratio is not None else plain(change.change)
        value, _, spread = words.partition(" +/- ")
        unit = spread.rpartition(" ")[2] if " " in spread else ""
        yield Main(
            title=f"{title_of(change)}, {'of the earlier' if change.ratio is not None else 'difference'}",
            value=f"{value} {unit}".rstrip(),
            spread=f"+/- {spread}; {change.told}",
        )


def _rows(one: Compared) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (title_of(change), plain(change.earlier), plain(change.later), change.told, _by(change))
        for change in one.changes
    )


def _by(change: Change) -> str:
    """Difference, and share of the earlier where there is one."""
    share = "" if change.ratio is None else f"; {percent_words(change.ratio)} of the earlier"
    return "" if change.change is None else f"{plain(change.change)}{share}"


def _how(one: Compared) -> str:
    return UNLIKE_HOW if one.unlike else HOW
