"""Seeing that somebody opens or closes a device file: inotify (Linux), by way of the C library.

A pseudo-terminal's other end is not told when its near end is opened, so banners and resets at an opening need this.
Where there is no inotify nothing is seen, and whoever serves must be told.

Not modelled: (no model; this looks at the machine).
"""

from __future__ import annotations

import ctypes
import os
import struct
from collections.abc import Iterator

OPENED, CLOSED = "opened", "closed"

_IN_CLOSE_WRITE, _IN_CLOSE_NOWRITE, _IN_OPEN = 0x08, 0x10, 0x20
_EVENT = struct.Struct("iIII")
_READ_BYTES = 4096


class Openings:
    """Openings and closings of one file, in order. ``fd`` is -1 where they cannot be seen."""

    def __init__(self, path: str) -> None:
        self.fd = _watch(path)

    def happened(self) -> Iterator[str]:
        """What has happened since the last call; never blocks."""
        while self.fd >= 0:
            try:
                data = os.read(self.fd, _READ_BYTES)
            except BlockingIOError:
                return
            at = 0
            while at < len(data):
                _, mask, _, name_bytes = _EVENT.unpack_from(data, at)
                at += _EVENT.size + name_bytes
                if mask & _IN_OPEN:
                    yield OPENED
                elif mask & (_IN_CLOSE_WRITE | _IN_CLOSE_NOWRITE):
                    yield CLOSED

    def close(self) -> None:
        """Look no more. Twice is fine."""
        fd, self.fd = self.fd, -1
        if fd >= 0:
            os.close(fd)


def _watch(path: str) -> int:
    try:
        library = ctypes.CDLL(None, use_errno=True)
        fd = int(library.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC))
        if fd < 0:
            return -1
        mask = _IN_OPEN | _IN_CLOSE_WRITE | _IN_CLOSE_NOWRITE
        if library.inotify_add_watch(fd, os.fsencode(path), mask) < 0:
            os.close(fd)
            return -1
    except (OSError, AttributeError, TypeError):
        return -1
    return fd
