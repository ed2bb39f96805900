"""A stop asked for from another terminal, or from a page: a file that the run finds in its folder.

It goes the way operators' marks go and not by a signal: a process number that was read from a file may be another
program's by now. The run looks every turn and in every wait; what follows is what follows Ctrl-C. The file asks by
being there, whatever can be read of it: so a full disk, which still takes a name, does not swallow a stop.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from harness.errors import Usage
from harness.folder import RUNNING, RunFolder
from harness.plain import safe_text

LONGEST = 80
"""Characters that are kept of who asked."""

_FILE = "stop.txt"
SOMEBODY = "another terminal"
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


def ask_stop(folder: RunFolder, *, by: str) -> None:
    """Ask the run to stop and switch off. ``by`` says from where, in words. Raises ``Usage`` when it is not on, or when
    it could not be asked."""
    outcome = folder.outcome()
    if outcome != RUNNING:
        raise Usage(f"stop: {folder.path}: this run is not on ({outcome}); there is nothing to stop")
    place = folder.marks / _FILE
    if os.path.lexists(place):
        return  # asked already, and it is not asked twice
    try:
        folder.marks.mkdir(exist_ok=True)
        _put(place, safe_text(by).strip()[:LONGEST])
    except OSError as error:
        raise Usage(
            f"stop: {folder.marks}: cannot be written ({error.strerror}); the run was NOT told: press Ctrl-C where it "
            "runs, or use the emergency off"
        ) from error
    if (outcome := folder.outcome()) != RUNNING:
        raise Usage(
            f"stop: {folder.path}: the run came to its end meanwhile ({outcome}) and may not have heard it; if "
            "others follow, ask the next one"
        )


def _put(place: Path, words: str) -> None:
    """The file with who asked in it at once; on a disk that takes no more, the file alone. Raises ``OSError``."""
    beside = place.with_name(f"{_FILE}.{os.getpid()}.part")
    try:
        with open(beside, "xb") as file:
            file.write(words.encode() + b"\n")
        os.replace(beside, place)
    except OSError:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        os.close(os.open(place, os.O_WRONLY | os.O_CREAT | _NO_LINK, 0o666))


class StopInbox:
    """The run's end of it."""

    def __init__(self, folder: RunFolder) -> None:
        self._place = os.fspath(folder.marks / _FILE)

    def asked_by(self) -> str:
        """Who asked, in words; "" while nobody did. Costs a microsecond or two when nobody did. Never raises."""
        try:
            os.lstat(self._place)
        except OSError:
            return ""
        said = ""
        with suppress(OSError):
            descriptor = os.open(self._place, os.O_RDONLY | _NO_LINK)
            try:
                said = os.read(descriptor, 4 * LONGEST).decode("utf-8", "replace")
            finally:
                os.close(descriptor)
        return safe_text(said).strip()[:LONGEST] or SOMEBODY
