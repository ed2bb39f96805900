"""One run, whichever folder it is read from: a copy of a run that is still on, and two who resume it at once.

A run is known by what its result said when it began. Copies of a folder say the same; no two runs do, since they begin
at other times or with other files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec
from filelock import FileLock, Timeout

from harness.errors import Busy, Usage, UserError
from harness.folder import INTERRUPTED, RunFolder
from harness.locks import live_runs, state_dir
from harness.plain import safe_text
from harness.result import load_result


def on_elsewhere(folder: RunFolder) -> Path | None:
    """Where the run is on of which ``folder``, that seems to have died, is a copy; None where none is known to be. Runs
    on a bench in memory leave no note, and have nothing on."""
    if folder.outcome() != INTERRUPTED:
        return None
    with suppress(UserError, OSError):
        for place in live_runs():
            if not place.is_dir() or place.resolve() == folder.path.resolve():
                continue
            other = RunFolder(place)
            if other.is_on() and known_by(other) == known_by(folder):
                return place
    return None


def refuse_copy_of_a_live_one(folder: RunFolder) -> None:
    """Raise ``Busy`` where the run is on elsewhere."""
    if (place := on_elsewhere(folder)) is not None:
        here, there = safe_text(str(folder.path)), safe_text(str(place))
        raise Busy(f"{here}: a copy: this run is on in {there}; stop it where it runs, nothing was done here")


@contextmanager
def resumed_by_one(folder: RunFolder) -> Iterator[None]:
    """Keep out whoever else resumes the same run meanwhile, from this folder or a copy. Raises ``Busy``."""
    lock = _resume_lock(folder)
    try:
        yield
    finally:
        if lock is not None:
            lock.release()


def _resume_lock(folder: RunFolder) -> FileLock | None:
    """Where nothing can be locked, None: a run on real instruments is refused by its own lock, in other words."""
    try:
        lock = FileLock(state_dir() / f"{known_by(folder)[:24]}.resume.lock")
        lock.acquire(timeout=0)
    except Timeout:
        raise Busy(
            f"{safe_text(str(folder.path))}: another `resume` of this run is on; go on there, nothing was done here"
        ) from None
    except (Usage, OSError):
        return None
    return lock


def known_by(folder: RunFolder) -> str:
    """The same for each copy of a folder, another for each other run. Raises ``Usage``."""
    first = load_result(folder)
    about = (first.procedure, first.name, first.started, sorted(first.hashes.items()))
    return hashlib.sha256(msgspec.json.encode(about)).hexdigest()
