"""Whether somebody holds the lock of a run's folder: asked by whoever may read it, and told apart from others who ask.

Who looks on may be another user, who can read the folder and write nothing in it: to them a run that is on must not
pass for one that died. So the lock file is only opened for reading; and the lock that is tried is a shared one, lest
two who look at the same moment take each other for the run.
"""

from __future__ import annotations

import os
from errno import EACCES, EAGAIN
from pathlib import Path

from filelock import FileLock, Timeout

try:
    import fcntl
except ImportError:  # not POSIX
    fcntl = None  # type: ignore[assignment]

_HOW = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


def is_held(place: Path) -> bool:
    """True while another holds the lock ``place``. False where there is none, or none can be had."""
    if not place.exists():
        return False
    if fcntl is None:
        return _held_as_written(place)
    try:
        descriptor = os.open(place, _HOW)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in (EACCES, EAGAIN) or _held_as_written(place)
    finally:
        os.close(descriptor)  # lets go of it as well
    return False


def _held_as_written(place: Path) -> bool:
    """The same where the system has no such locks: through whoever made the lock."""
    probe = FileLock(place)
    try:
        probe.acquire(timeout=0)
    except Timeout:
        return True
    except OSError:  # an archive on a medium that cannot be written: nobody runs there
        return False
    probe.release()
    return False
