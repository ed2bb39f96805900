"""The listing of runs in plain text, 80 columns: one line a run, and what to do about one that died."""

from __future__ import annotations

from collections.abc import Sequence

from harness.entries import SIMULATED, figure_words
from harness.errors import UserError
from harness.folder import INTERRUPTED, RunFolder
from harness.lines import wrap
from harness.plain import safe_text
from harness.result import Result, load_result
from harness.show import is_simulated

_NAME_WIDTH = 38
_DIED = "interrupted: it did not end normally. What happened, whether its bench is off, and what may follow:"


def run_line(folder: RunFolder) -> str:
    """One run of a listing: folder name, outcome, its first figure; two lines when the name is long."""
    outcome = folder.outcome()
    try:
        result = load_result(folder)
    except UserError as error:
        headline = SIMULATED if is_simulated(folder) else ""
        if folder.result_json.exists() or folder.result_json.is_symlink():
            headline = f"result.json: {_why(str(error))} {headline}".rstrip()
    else:
        headline = _first_figure(result)
        if result.simulated:
            headline = f"{headline} {SIMULATED}".strip()
    name = safe_text(folder.name)
    start = f"{name:<{_NAME_WIDTH}}" if len(name) <= _NAME_WIDTH else f"{name}\n{'':<{_NAME_WIDTH}}"
    return f"{start} {safe_text(outcome):<11} {safe_text(headline)}".rstrip()


def _why(told: str) -> str:
    """In a few words of a listing; `show` tells it in full."""
    return "from a newer version" if "written by a newer version" in told else "damaged"


def _first_figure(result: Result) -> str:
    """Of a run without figures how long its first list is."""
    first = next(iter(result.figures.values()), None)
    if first is not None:
        return figure_words(first).partition(" (")[0]
    return next((f"{len(entries)} {name}" for name, entries in result.lists.items()), "")


def runs_lines(folders: Sequence[RunFolder]) -> list[str]:
    """The listing, oldest first, with its heading; a sentence when there is none."""
    if not folders:
        return ["No runs here yet."]
    died = next((folder for folder in folders if folder.outcome() == INTERRUPTED), None)
    more = [] if died is None else [*wrap(_DIED), f"  nightbench resume {safe_text(str(died.path))}"]
    return [f"{'run':<{_NAME_WIDTH}} {'outcome':<11} first figure", *map(run_line, folders), *more]
