"""Doing runs and printing what came of them: first the verdict, then run by run, also when one was refused."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from harness.ending import ProgramError
from harness.errors import UserError
from harness.job import Done
from harness.listing import runs_done_document, runs_done_text
from harness.report import report_line, report_lines, verdict_line
from harness.sequence import judged
from harness.telling import figures, printed_code, tell, words
from harness.verdict import Judgement, headline_text


def print_runs(runs_to_do: Iterator[Done], as_json: bool, *, verdict: str = "") -> None:
    """Do the runs, then print all that were done and end the program with the worst exit code.

    ``verdict``: the maker of a verdict on them, if one is wanted; there is none unless all came to their end.
    """
    done: list[Done] = []
    failed: UserError | ProgramError | None = None
    made: Judgement | None = None
    try:
        for one in runs_to_do:
            done.append(one)
        made = judged(verdict, done) if verdict else None
    except (UserError, ProgramError) as error:
        failed = error
    if failed is not None and not done:
        raise failed
    figures(_document(done, made, failed) if as_json else _page(done, made))
    if failed is not None:
        words(f"nightbench: {failed}")
    for line in report_lines(done):
        words(line)
    if made is not None and (line := verdict_line([one.folder for one in done])):
        words(line)
    if isinstance(failed, ProgramError) and (line := report_line(failed.folder)):
        words(line)
    worst = max([one.exit_code for one in done] + ([failed.exit_code] if failed else []))
    raise SystemExit(worst or printed_code())


def _document(done: list[Done], made: Judgement | None, failed: UserError | ProgramError | None) -> dict[str, Any]:
    document = runs_done_document(done)
    if made is not None:
        document["verdict"] = msgspec.to_builtins(made)
    return document | (tell(str(failed), failed.exit_code) if failed else {})


def _page(done: list[Done], made: Judgement | None) -> str:
    if made is None:
        return runs_done_text(done)
    again = f"Line by line: nightbench fit {' '.join(str(one.folder.path) for one in done)}"
    return "\n\n".join([headline_text(made), runs_done_text(done), again])
