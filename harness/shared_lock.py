"""A lock that every user of a computer meets: each has a state folder of their own, and an instrument has one output.

An empty file in a folder in which everybody may make files and nobody may take away another's (sticky, the system's
own), held by ``flock``: it goes with the process that holds it, however that ends. Only whoever opened it is trusted
with nothing: what is no plain file, or cannot be opened, is refused and never followed or mended.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path

from filelock import FileLock, Timeout

from harness.errors import Usage
from harness.plain import safe_text

try:
    import fcntl
except ImportError:  # a system without it keeps one user off another by nothing of ours
    fcntl = None  # type: ignore[assignment]

PLACES = ("/run/lock", "/tmp")
"""Looked at in this order, the same for everybody: neither a user's own TMPDIR nor anything else of theirs counts."""

TRIES = 20
"""A file that goes away between two looks is made anew so many times."""


class Held(Exception):
    """Somebody holds it. ``whose``: "" or words that say that it is another user of this computer."""

    def __init__(self, whose: str = "") -> None:
        super().__init__(whose)
        self.whose = whose


class InstrumentLock:
    """A lock on one instrument at ``place`` in this user's state folder, and the one beside it that everybody meets."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._mine, self._everybodys = FileLock(place), SharedLock(place.name)

    def acquire(self) -> None:
        """Take both at once. Raises ``Held``, ``OSError`` for one's own that cannot be made, and ``Usage``."""
        try:
            self._mine.acquire(timeout=0)
        except Timeout:
            raise Held from None
        try:
            self._everybodys.acquire()
        except BaseException:
            self._mine.release()
            raise

    def release(self) -> None:
        """Give both back; never raises."""
        self._everybodys.release()
        with suppress(OSError):
            self._mine.release()


def common_place() -> Path | None:
    """Where everybody's locks are: ``NIGHTBENCH_LOCKS``, else the first sound one of ``PLACES``; None where there is
    none. Raises ``Usage`` for a given one that is no folder."""
    if given := os.environ.get("NIGHTBENCH_LOCKS"):
        if not (os.path.isabs(given) and os.path.isdir(given)):
            raise Usage(
                f"NIGHTBENCH_LOCKS = {safe_text(given)}: no folder by its whole path; make it, or leave the setting out"
            )
        return Path(given)
    return next((Path(place) for place in PLACES if fcntl is not None and _sound(place)), None)


def _sound(place: str) -> bool:
    """Whether it is the system's own, everybody may write there, and nobody may take away what is another's."""
    with suppress(OSError):
        found = os.stat(place)
        wanted = stat.S_ISVTX | stat.S_IWOTH | stat.S_IXOTH
        return stat.S_ISDIR(found.st_mode) and found.st_uid == 0 and found.st_mode & wanted == wanted
    return False


class SharedLock:
    """One lock by its ``name``. Where there is no common place it locks nothing."""

    def __init__(self, name: str) -> None:
        self._name = f"nightbench-{name}"
        self._fd = -1

    def acquire(self) -> None:
        """Take it at once. Raises ``Held``, and ``Usage`` where nobody can tell."""
        place = common_place()
        if place is None or self._fd >= 0:
            return
        try:
            self._fd = _taken(place / self._name)
        except OSError as error:
            raise Usage(
                f"{place / self._name}: {error.strerror or error}: cannot keep other users of this computer off this "
                "bench; have the file taken away if none of them has a run on it, or give all of them one "
                "NIGHTBENCH_LOCKS, a folder in which everybody may make files"
            ) from error

    def release(self) -> None:
        """Give it back; never raises. The file stays: taken away, the next two could each hold one of that name."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            with suppress(OSError):
                os.close(fd)

    def __del__(self) -> None:
        self.release()


def _taken(path: Path) -> int:
    """The open and locked file at ``path``. Raises ``Held`` and ``OSError``."""
    for _ in range(TRIES):
        fd = _opened(path)
        try:
            if _locked(fd, path):
                fd, locked = -1, fd
                return locked
        finally:
            if fd >= 0:
                os.close(fd)
    raise OSError(0, "it goes away as soon as it is made", str(path))


def _opened(path: Path) -> int:
    """Open for reading, which is all that ``flock`` wants, so that nobody needs a right to another's file."""
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    for _ in range(TRIES):
        with suppress(FileNotFoundError):
            return os.open(path, flags)
        with suppress(FileExistsError):  # somebody else was quicker: theirs is as good
            fd = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o444)
            with suppress(OSError):
                os.fchmod(fd, 0o444)  # a umask would keep others from opening it
            return fd
    raise OSError(0, "it goes away as soon as it is made", str(path))


def _locked(fd: int, path: Path) -> bool:
    """Lock it; false when it is not the file of that name any more. Raises ``Held`` and ``OSError``."""
    mine = os.fstat(fd)
    if not stat.S_ISREG(mine.st_mode):
        raise OSError(0, "no plain file", str(path))
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise Held(" of another user of this computer") from error
    with suppress(FileNotFoundError):
        there = os.lstat(path)
        return (there.st_dev, there.st_ino) == (mine.st_dev, mine.st_ino)
    return False
