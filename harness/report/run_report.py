"""The report of one run: read, put into words and plots, written as one file with its numbers beside it."""

from __future__ import annotations

from pathlib import Path

from harness.cautions import CAUTIONS
from harness.derived import result_of
from harness.errors import Usage
from harness.folder import RUNNING, RunFolder
from harness.headlines import headline
from harness.inside import place_in
from harness.plain import safe_text
from harness.report.facts import RunFacts, gather
from harness.report.look import FRAMES
from harness.report.main_figures import main_figures
from harness.report.next_steps import next_steps
from harness.report.page import Page, main_of, render, write_page
from harness.report.plots import Drawn, drawn, save_data
from harness.report.run_pictures import run_pictures
from harness.report.run_words import NEVER_MEASURED, NOT_CERTIFIED, run_words
from harness.show import GUARD_SAW, LIVE

PLOTS = "plots"


def write_report(folder: RunFolder, out: Path | None = None) -> Path:
    """Write ``report.html`` and ``plots/*.csv`` into the run's folder, or into ``out``; where the page is.

    Raises ``UserError`` for a run that is on, a folder that tells nothing, and a damaged one without ``out``;
    ``RecordFailed`` when it cannot be written.
    """
    place = folder.path if out is None else out
    plots = place / PLOTS if out is not None else place_in(place, PLOTS, told_by=str(place))
    facts = _facts(folder)
    if facts.damage and out is None:
        raise Usage(
            f"{'; '.join(facts.damage)}; nothing is written into a damaged folder: name another place with --out DIR"
        )
    place.mkdir(parents=True, exist_ok=True)
    pictures = _pictures(facts, plots)
    return write_page(place / folder.report_html.name, page_of(facts, pictures))


def _facts(folder: RunFolder) -> RunFacts:
    if folder.outcome() == RUNNING:
        raise Usage(
            f"{safe_text(str(folder.path))}: the run is on; its report is made when it ends, `nightbench show` tells "
            "what there is until then"
        )
    return gather(folder, result_of(folder))


def _pictures(facts: RunFacts, place: Path) -> list[Drawn]:
    simulated = facts.result.simulated
    made = []
    for picture in run_pictures(facts):
        place.mkdir(parents=True, exist_ok=True)
        save_data(picture, place, simulated=simulated)
        made.append(drawn(picture, simulated=simulated, data=f"{place.name}/{picture.name}.csv"))
    return made


def page_of(facts: RunFacts, pictures: list[Drawn]) -> str:
    """The page as HTML; touches no file."""
    return render(
        "run.html",
        page=_head(facts),
        pictures=pictures,
        words=run_words(facts),
        verdicts=facts.result.verdicts,
        never=NEVER_MEASURED,
        not_certified=NOT_CERTIFIED,
        cautions=facts.result.cautions or CAUTIONS,
    )


def _head(facts: RunFacts) -> Page:
    result = facts.result
    return Page(
        title=f"{result.procedure} of {result.name}",
        simulated=result.simulated,
        about=[f"begun {result.started}", f"bench {result.bench.name}" if result.bench else "bench unknown"],
        word=facts.outcome,
        frame=FRAMES.get(facts.outcome, "solid"),
        sentence=_sentence(facts),
        more=next_steps(facts),
        main=[main_of(name, one) for name, one in main_figures(result.figures).items()],
        loud=_loud(facts),
        running=facts.folder.name,
        foot=[
            f"Made from {facts.folder.name} alone; nightbench report makes it again.",
            "Uncertainties are expanded ones, for about 95 % (JCGM 100:2008, the GUM).",
        ],
    )


def _sentence(facts: RunFacts) -> str:
    said = GUARD_SAW if facts.seen_off else headline(facts.result)
    if facts.outcome == "unsafe":  # the block above says the rest, louder
        said = facts.result.end_reason
    return f"{said[:1].upper()}{said[1:]}"


def _loud(facts: RunFacts) -> list[str]:
    """What was shown on the screen where off could not be confirmed, word by word."""
    if facts.outcome != "unsafe":
        return []
    told = [str(event.get("text", "")) for event in facts.of("unsafe")]
    return told[-1].split("\n") if told else [LIVE, facts.result.end_reason]
