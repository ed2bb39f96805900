"""Reports: pages that are opened anywhere, printed and kept."""

from __future__ import annotations

from pathlib import Path

from harness.folder import RunFolder


def write_run_report(folder: RunFolder) -> Path:
    """Make ``report.html`` of a run, and the numbers of its plots under ``plots/``, in its folder; where the page is.

    Raises ``UserError`` for a run that is on, or a folder that is damaged or tells nothing, and ``RecordFailed`` when
    it cannot be written. At the end of a run use ``report_line``, which never raises.
    """
    from harness.report.run_report import write_report  # heavy: only where a report is made

    return write_report(folder)


def report_line(folder: RunFolder) -> str:
    """Make it, and say in one line where it is or why there is none. Whatever goes wrong with it is no matter of the
    run: that is over, its bench is off, and its result is written."""
    try:
        return f"report: {write_run_report(folder)}"
    except KeyboardInterrupt:
        why = "stopped by a person"
    except Exception as error:
        why = str(error) or type(error).__name__
    return f"no report ({' '.join(why.split())}); the record is whole without it: nightbench report {folder.path}"
