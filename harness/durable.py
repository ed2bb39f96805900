"""Files that must be whole after the program or the computer died.

An append either lands whole or leaves the file as it was before; a replaced file is either the old or the new one.
Every failure of the disk comes out as ``RecordFailed``, so that the run can switch off.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Protocol


class RecordFailed(Exception):
    """The disk did not take a record: which file, which act, why. The run switches off and keeps what it has."""

    def __init__(self, path: Path, act: str, cause: OSError | str) -> None:
        why = cause if isinstance(cause, str) else (cause.strerror or str(cause))
        super().__init__(f"record: {path}: could not {act}: {why}; make room or mend the disk, then start again")
        self.path = path
        self.cause = cause


class RawFile(Protocol):
    """An unbuffered binary file: what it has accepted the kernel holds, whatever happens to this process."""

    def write(self, data: bytes, /) -> int | None: ...
    def truncate(self, size: int, /) -> int: ...
    def fileno(self) -> int: ...
    def close(self) -> None: ...


Opener = Callable[[Path], RawFile]


def open_new(path: Path) -> RawFile:
    """Create ``path`` for appending; it must not be there yet (``FileExistsError``)."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o666), "wb", buffering=0)


class AppendFile:
    """A file that only grows, by whole records."""

    def __init__(self, path: Path, *, opener: Opener = open_new) -> None:
        self.path = path
        self._length = 0
        self._held = 0
        self._spoilt = False
        self._raw: RawFile | None
        try:
            self._raw = opener(path)
        except OSError as error:
            raise RecordFailed(path, "create it", error) from error

    def append(self, data: bytes) -> None:
        """Hand ``data`` to the kernel whole, or take back what went in and raise ``RecordFailed``."""
        raw = self._raw
        if raw is None:
            raise ValueError(f"{self.path}: written to after it was closed")
        if self._spoilt:
            raise RecordFailed(self.path, "write", "an earlier record is cut short in it and cannot be taken back")
        try:
            done = raw.write(data) or 0
            while done < len(data):
                done += raw.write(data[done:]) or 0
        except OSError as error:
            self._take_back(raw)
            raise RecordFailed(self.path, "write", error) from error
        self._length += len(data)

    def _take_back(self, raw: RawFile) -> None:
        # Half a record followed by whole ones would read as damage in the middle. Cutting a file needs no room.
        try:
            raw.truncate(self._length)
        except OSError:
            self._spoilt = True

    def duplicate(self) -> int:
        """A second descriptor, for ``sync`` in another thread; the caller closes it. Raises ``RecordFailed``."""
        if self._raw is None:
            raise ValueError(f"{self.path}: asked for after it was closed")
        try:
            return os.dup(self._raw.fileno())
        except OSError as error:
            raise RecordFailed(self.path, "open it once more for syncing", error) from error

    def sync(self, descriptor: int | None = None) -> None:
        """Ask the disk to hold everything appended so far; raises ``RecordFailed``.

        With a ``descriptor`` of its own another thread may do so while this one appends, syncs or closes.
        """
        raw, length = self._raw, self._length
        # A sync begun elsewhere does not count before it has come back: both threads then ask, which does no harm.
        if length <= self._held:
            return
        try:
            if descriptor is not None:
                os.fsync(descriptor)
            elif raw is not None:
                os.fsync(raw.fileno())
            else:
                return
        except OSError as error:
            raise RecordFailed(self.path, "sync to disk", error) from error
        self._held = length

    def close(self) -> None:
        """Close without syncing; closing twice is fine. Raises ``RecordFailed``."""
        raw, self._raw = self._raw, None
        if raw is not None:
            try:
                raw.close()
            except OSError as error:
                raise RecordFailed(self.path, "close", error) from error


def replace_file(path: Path, data: bytes) -> None:
    """Put ``data`` at ``path`` so that a reader sees the old file or the new one, also after a power cut."""
    # Of this process only: two that make the same file anew must not take each other's away.
    beside = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with open(beside, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
        sync_dir(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise RecordFailed(path, "write", error) from error


def sync_dir(path: Path) -> None:
    """Make new names in ``path`` last; raises ``OSError``."""
    if os.name != "posix":  # elsewhere a folder cannot be opened for syncing
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
