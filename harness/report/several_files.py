"""Where the report of several runs goes: a folder of its own that holds nothing else, page last."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from harness.durable import replace_file
from harness.errors import Usage
from harness.inside import place_in
from harness.plain import safe_text
from harness.report.page import write_page
from harness.report.pdf import pdf_ready, write_pdf
from harness.report.plots import Drawn, Picture, drawn, save_data
from harness.report.several_words import OneRun

PAGE, PLOTS = "report.html", "plots"

OF_A_RUN = ("samples.csv", "events.jsonl", "result.json")


def newest_stamp(runs: Sequence[OneRun]) -> str:
    """Start of the newest run as it stands in folder names: the same runs give the same name."""
    started = runs[-1].facts.result.started
    return "".join(one for one in started if one.isascii() and one.isalnum())


def save_several(
    place: Path,
    pictures: Sequence[Picture],
    page: Callable[[list[Drawn]], str],
    *,
    simulated: bool,
    document: Mapping[str, str],
    pdf: bool = False,
) -> list[Path]:
    """Numbers of the plots, documents, page and, if asked for, its PDF. Raises ``UserError`` and ``RecordFailed``."""
    if pdf:
        pdf_ready()
    if any((place / name).exists() for name in OF_A_RUN):
        raise Usage(f"{safe_text(str(place))}: the folder of a run; name another one, nothing was written")
    try:
        plots = place_in(place, PLOTS, told_by=str(place))
        plots.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise Usage(f"{safe_text(str(place))}: there is a file of this name; name a folder") from error
    made = []
    for picture in pictures:
        save_data(picture, plots, simulated=simulated)
        made.append(drawn(picture, simulated=simulated, data=f"{PLOTS}/{picture.name}.csv"))
    for name, text in document.items():
        replace_file(place / name, f"{text}\n".encode("utf-8", "backslashreplace"))
    written = [write_page(place / PAGE, page(made))]
    return [*written, write_pdf(written[0])] if pdf else written
