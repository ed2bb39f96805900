"""Operator's marks: a line of words from another terminal to a run that is on.

Marks are lines of ``marks/marks.txt`` in the run's folder. The file only grows, so the run looks at its size and reads
when there is more; it stays as the person's own record. (A file per mark was rejected: telling that a folder has a
new entry costs a listing each turn, since its time stamp is too coarse.)
"""

from __future__ import annotations

import os
from pathlib import Path

from harness.errors import Usage
from harness.folder import RUNNING, RunFolder
from harness.plain import safe_text

LONGEST_MARK = 500
"""Characters of one mark."""

PIECE_BYTES = 16_384
"""Most that the run reads at a look: a file of any length holds up no turn of its loop."""

_FILE = "marks.txt"


def drop_mark(run_folder: RunFolder | Path | str, text: str) -> str:
    """Send ``text`` to the run and return it as it will be read; raises ``Usage`` when the run cannot take it."""
    folder = run_folder if isinstance(run_folder, RunFolder) else RunFolder.open(run_folder)
    mark = safe_text(text).strip()
    if not mark:
        raise Usage("mark: no text; say in a few words what happened")
    if len(mark) > LONGEST_MARK:
        raise Usage(f"mark: {len(mark)} characters, the limit is {LONGEST_MARK}; say it shorter")
    outcome = folder.outcome()
    if outcome != RUNNING:
        raise Usage(f"mark: {folder.path}: this run is not on ({outcome}); nobody would read the mark")
    try:
        folder.marks.mkdir(exist_ok=True)
        descriptor = os.open(folder.marks / _FILE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        try:
            # The leading line end keeps the mark apart from one whose writer died half-way; one write, so that two
            # terminals do not mix.
            os.write(descriptor, b"\n" + mark.encode() + b"\n")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise Usage(f"mark: {folder.marks}: cannot be written ({error.strerror}); the run did not get it") from error
    return mark


class MarkInbox:
    """The run's end: marks that came since the last look. ``skip_earlier`` leaves out those of before it was made."""

    def __init__(self, folder: RunFolder, *, skip_earlier: bool = False) -> None:
        self._path = folder.marks / _FILE
        self._place = os.fspath(self._path)
        self._read = self._size() if skip_earlier else 0

    def _size(self) -> int:
        try:
            return os.stat(self._place).st_size
        except OSError:  # no mark yet, or none can be had: neither is a reason to stop a run
            return 0

    def poll(self) -> list[str]:
        """New marks in the order they came; costs a microsecond or two when there is none. Never raises."""
        if self._size() <= self._read:
            return []
        try:
            with open(self._path, "rb") as file:
                file.seek(self._read)
                new = file.read(PIECE_BYTES)
        except OSError:
            return []
        whole = new[: new.rfind(b"\n") + 1]
        if not whole and len(new) == PIECE_BYTES:
            self._read += len(new)  # no line of ours is that long, and its end would never come into sight
        self._read += len(whole)
        lines = (safe_text(line.decode("utf-8", "replace")).strip() for line in whole.split(b"\n"))
        return [line[:LONGEST_MARK] for line in lines if line]
