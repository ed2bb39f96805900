"""Reports: pages that are opened anywhere, printed and kept."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.folder import RunFolder
from harness.job import Done

WANTED = "NIGHTBENCH_REPORT"
"""Environment variable: "no" for a small computer that is to make no reports by itself."""

RECORD_FAILED = 25
"""Exit code of a run whose record could not be written."""


def write_run_report(folder: RunFolder) -> Path:
    """Make ``report.html`` of a run, and the numbers of its plots under ``plots/``, in its folder; where the page is.

    Raises ``UserError`` for a run that is on, or a folder that is damaged or tells nothing, and ``RecordFailed`` when
    it cannot be written. At the end of a run use ``report_line``, which never raises.
    """
    from harness.report.run_report import write_report  # heavy: only where a report is made

    return write_report(folder)


def write_verdict_report(
    folders: Sequence[RunFolder], out: Path | str | None = None, *, pdf: bool = False
) -> list[Path]:
    """Judge runs of one pack and one UPS and make the report of the verdict, in ``out`` or in a folder of its own
    beside them; the page, and with ``pdf`` the PDF.

    Raises ``UserError`` for runs that do not go together and ``RecordFailed`` when it cannot be written.
    """
    from harness.report.fit_report import write_fit_report

    return write_fit_report(folders, None if out is None else Path(out), pdf=pdf)


def verdict_line(folders: Sequence[RunFolder]) -> str:
    """The same at the end of a whole job, where it is or why there is none in one line; never raises."""
    if os.environ.get(WANTED) == "no":
        return ""
    try:
        return f"verdict: {write_verdict_report(folders)[0]}"
    except KeyboardInterrupt:
        why = "stopped by a person"
    except Exception as error:
        why = f"{type(error).__name__}: {error}".removeprefix("Usage: ").removeprefix("RecordFailed: ")
    names = " ".join(str(one.path) for one in folders)
    return f"no report of the verdict: {' '.join(why.split())}; nightbench report {names}"


def report_lines(done: Sequence[Done]) -> Iterator[str]:
    """Make those of runs that are over, saying in one line each where it is or why there is none.

    Never raises: whatever goes wrong here is no matter of the runs. They are over, their benches are off and their
    results are written.
    """
    for one in done:
        if line := report_line(one.folder, record_failed=one.exit_code == RECORD_FAILED):
            yield line


def report_line(folder: RunFolder, *, record_failed: bool = False) -> str:
    """The same for one run. ``record_failed``: its disk did not take its record; no more is asked of that disk, which
    may hold up whoever writes to it for ever. "" where nobody wants reports at the end of runs."""
    if os.environ.get(WANTED) == "no":
        return ""
    try:
        why = "its record could not be written" if record_failed else ""
        if not why:
            return f"report: {write_run_report(folder)}"
    except KeyboardInterrupt:
        why = "stopped by a person"
    except Exception as error:
        why = f"{type(error).__name__}: {error}".removeprefix("Usage: ").removeprefix("RecordFailed: ")
    return f"no report: {' '.join(why.split())}; the run's record does not need it; nightbench report {folder.path}"
