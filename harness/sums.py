"""``SHA256SUMS``: what the files of a run were when it ended, and what has changed since.

Two columns, as common checksum programs write and check them (``sha256sum -c SHA256SUMS`` in the run's folder). It
tells of accidents and of honest mistakes; whoever changes a file on purpose can change this one too. What is made anew
from the record at any time, the report and its plots, is not in it, nor are hidden files.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from harness.durable import replace_file
from harness.errors import Usage
from harness.folder import RunFolder
from harness.guard_log import GUARD_LOG
from harness.inside import is_plain_file, place_in
from harness.plain import safe_text
from harness.sum_lines import read_sum_lines

SUMS = "SHA256SUMS"
MADE_ANEW = frozenset({"report.html", "report.pdf", "plots"})
"""What a command makes of the record whenever somebody asks."""

UNKNOWN = f"no {SUMS} beside it: whether its files are as at its end is not known"
"""Of a run that ended; one made by a version that kept no sums, for example."""


def finished_files(folder: Path) -> Iterator[str]:
    """Names of the files that are the record, with ``/`` between folder and file, sorted; no links, nothing hidden."""
    for here, folders, files in os.walk(folder):
        kept = Path(here).relative_to(folder)
        folders[:] = sorted(one for one in folders if _counts(one, top=kept == Path(".")))
        for name in sorted(files):
            place = kept / name
            if _counts(name, top=kept == Path(".")) and is_plain_file(folder / place):
                yield place.as_posix()


def _counts(name: str, *, top: bool) -> bool:
    return not name.startswith(".") and not name.endswith(".part") and not (top and name in (SUMS, *MADE_ANEW))


def digest(path: Path) -> str | None:
    """SHA-256 of a plain file in hexadecimal, None where it cannot be read."""
    if not is_plain_file(path):
        return None
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def write_sums(folder: RunFolder, *, guard_goes_on: bool = False) -> None:
    """Write down what the files are now that the run is over. Raises ``RecordFailed``. ``guard_goes_on``: off was not
    confirmed, and the guard is still trying and writing it down."""
    told = []
    for name in finished_files(folder.path):
        if guard_goes_on and name == GUARD_LOG:
            continue
        if (found := digest(folder.path / name)) is not None:
            told.append(f"{found}  {name}\n")
    replace_file(folder.path / SUMS, "".join(told).encode())


def read_sums(folder: RunFolder) -> dict[str, str]:
    """Name -> SHA-256 as written at the run's end; empty where none was. Raises ``Usage`` when it is damaged."""
    return read_sum_lines(folder.path / SUMS, then="what has changed since the run cannot be told")


def changes(folder: RunFolder) -> tuple[str, ...]:
    """In words, a line each: which files are not as at the run's end, are gone, or came since. Empty when all are as
    they were, and for a run that died, which has no sums. Never raises: a damaged list is a line too."""
    try:
        told = read_sums(folder)
    except Usage as error:
        return (str(error).removeprefix(f"{folder.path}{os.sep}"),)
    if not told:
        ended = folder.outcome() not in ("running", "interrupted") and folder.result_json.exists()
        return (UNKNOWN,) if ended else ()
    lines = [line for name, sha in told.items() if (line := _changed(folder, name, sha))]
    came = [name for name in finished_files(folder.path) if name not in told and name != GUARD_LOG]
    return (*lines, *(f"{safe_text(name)}: was not there at the run's end" for name in came))


def _changed(folder: RunFolder, name: str, sha: str) -> str:
    try:
        place = place_in(folder.path, name, told_by=str(folder.path / SUMS))
    except Usage:
        return f"{safe_text(name)}: leads out of the run's folder, and is not read"
    if not place.exists():
        return f"{safe_text(name)}: gone since the run's end"
    found = digest(place)
    if found is None:
        return f"{safe_text(name)}: cannot be read"
    return "" if found == sha else f"{safe_text(name)}: not as at the run's end"
