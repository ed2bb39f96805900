"""A stop asked for from another terminal, or from a page: a line that the run finds in its folder.

It goes the way operators' marks go and not by a signal: a process number that was read from a file may be another
program's by now. The run looks every turn; what follows is what follows Ctrl-C.
"""

from __future__ import annotations

import os

from harness.errors import Usage
from harness.folder import RUNNING, RunFolder
from harness.plain import safe_text

LONGEST = 80
"""Characters that are kept of who asked."""

_FILE = "stop.txt"


def ask_stop(folder: RunFolder, *, by: str) -> None:
    """Ask the run to stop and switch off. ``by`` says from where, in words. Raises ``Usage`` when it is not on, or when
    the line cannot be written."""
    outcome = folder.outcome()
    if outcome != RUNNING:
        raise Usage(f"stop: {folder.path}: this run is not on ({outcome}); there is nothing to stop")
    words = safe_text(by).strip()[:LONGEST] or "another terminal"
    try:
        folder.marks.mkdir(exist_ok=True)
        descriptor = os.open(folder.marks / _FILE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        try:
            os.write(descriptor, b"\n" + words.encode() + b"\n")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise Usage(
            f"stop: {folder.marks}: cannot be written ({error.strerror}); the run was NOT told: press Ctrl-C where it "
            "runs, or use the emergency off"
        ) from error


class StopInbox:
    """The run's end of it."""

    def __init__(self, folder: RunFolder) -> None:
        self._place = os.fspath(folder.marks / _FILE)

    def asked_by(self) -> str:
        """Who asked, in words; "" while nobody did. Costs a microsecond or two when nobody did. Never raises."""
        try:
            if not os.stat(self._place).st_size:
                return ""
        except OSError:
            return ""
        try:
            with open(self._place, "rb") as file:
                said = file.read(4 * LONGEST).decode("utf-8", "replace")
        except OSError:
            said = ""
        # A file that is there asks, whatever can be read of it.
        return safe_text(said).strip()[:LONGEST] or "another terminal"
