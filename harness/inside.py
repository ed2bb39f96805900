"""Places in a folder that a file names: never outside it, whatever the file says.

A record may come from anybody: by mail, from a stick, changed by hand. A name in it that climbs (``../``), begins at
the root, or is a link to elsewhere would have the reader open, hash or pack something that is no part of the run.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import BinaryIO

from harness.errors import Usage
from harness.plain import safe_text

LONGEST = 255
"""Bytes of one name; what file systems take."""


def plain_name(name: str) -> bool:
    """Whether ``name`` is that of one file or folder and leads nowhere."""
    forbidden = "/" in name or "\\" in name or "\0" in name or ":" in name
    if not name or name in (".", "..") or forbidden or safe_text(name) != name:
        return False
    return len(name.encode()) <= LONGEST


def place_in(folder: Path, name: str, *, told_by: str) -> Path:
    """``folder/name`` for a relative name with ``/`` between its parts. ``told_by``: the file that names it, for the
    error. Raises ``Usage`` when it leads outside, also through a link."""
    if not all(plain_name(part) for part in name.split("/")):
        raise Usage(f"{told_by}: {safe_text(name)[:80]!r} leads outside {folder}; a file is named from inside it only")
    place = folder.joinpath(*name.split("/"))
    if not is_inside(place, folder):
        raise Usage(f"{place}: a link that leads outside {folder}; nothing outside is read: put the file itself there")
    return place


def is_inside(place: Path, folder: Path) -> bool:
    """Whether ``place``, links followed, lies in ``folder``; a place that is not there yet counts as where it would
    be."""
    try:
        return place.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # links in a circle
        return False


def open_inside(path: Path) -> BinaryIO:
    """Open a file of a run for reading. Raises ``OSError``, and ``Usage`` for a link out of its folder and for what is
    no file."""
    refuse_link(path)
    return open(path, "rb")


def is_plain_file(path: Path) -> bool:
    """Whether it is a file itself: no link, no pipe, no folder."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def refuse_link(path: Path) -> None:
    """Raises ``Usage`` for a file that is a link out of the folder in which it stands."""
    if path.is_symlink() and not is_inside(path, path.parent):
        raise Usage(f"{path}: a link that leads outside the run's folder; nothing outside is read")
    if path.exists() and not path.is_file():  # a pipe would be waited for without end
        raise Usage(f"{path}: no plain file; take the file from a backup")
