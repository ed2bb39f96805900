"""Run folders in one zip to hand over, with a manifest and checksums of everything in it.

Plain files of the runs' folders only: no links, nothing hidden, nothing from outside. Nothing secret of ours stands in
a run's folder: what sends alarms is told in the person's own settings and never copied into a record. What does stand
there is what its bench file says, addresses, serial numbers and the operator's name among it; the manifest says so.
"""

from __future__ import annotations

import hashlib
import os
import re
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec

from harness.errors import Usage
from harness.export import Taken, new_file
from harness.folder import safe_name
from harness.forms import FORMS, schema_of
from harness.inside import is_plain_file
from harness.sums import MADE_ANEW, SUMS, finished_files

MANIFEST = "MANIFEST.json"
_CHUNK = 1 << 20
_NO_EARLIER = (1980, 1, 1, 0, 0, 0)
"""What a zip can tell; the time within is that of the run, so that equal runs make equal files."""


def write_zip(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Pack the folders. Returns how many files are in it, and what was left out of which run."""
    files: list[dict[str, Any]] = []
    notes: list[str] = []
    with new_file(target) as raw, zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as packed:
        for run, name in zip(runs, _names(runs), strict=True):
            for place in packable(run.folder.path):
                files.append(_pack(packed, run, name, place))
            notes += [f"{run.name}: {link}: left out: a link or no plain file" for link in _left_out(run.folder.path)]
        when = max((_when(run) for run in runs), default=_NO_EARLIER)
        _add(packed, SUMS, "".join(f"{one['sha256']}  {one['path']}\n" for one in files).encode(), when)
        _add(packed, MANIFEST, _manifest(runs, files, notes), when)
    return len(files) + 2, "files", tuple(notes)


def _names(runs: Sequence[Taken]) -> list[str]:
    """A folder's name in the zip: fit for any computer, and each once."""
    names: list[str] = []
    for run in runs:
        name = safe_name(run.name)
        names.append(name if name not in names else f"{name}-{len(names) + 1}")
    return names


def packable(folder: Path) -> Iterator[str]:
    """What goes in: the record, its checksums, the report and its plots."""
    yield from finished_files(folder)
    for top in sorted({SUMS, *MADE_ANEW}):
        if is_plain_file(folder / top):
            yield top
        elif (folder / top).is_dir() and not (folder / top).is_symlink():
            yield from (f"{top}/{name}" for name in finished_files(folder / top))


def _left_out(folder: Path) -> Iterator[str]:
    for here, folders, files in os.walk(folder):
        for name in sorted((*folders, *files)):
            place = Path(here) / name
            if place.is_symlink() or not (place.is_file() or place.is_dir()):
                yield place.relative_to(folder).as_posix()


def _pack(packed: zipfile.ZipFile, run: Taken, name: str, place: str) -> dict[str, Any]:
    """One file; its sum is that of the bytes that went in, whatever becomes of the file."""
    path = run.folder.path / place
    inside = f"{name}/{place}"
    told, size = hashlib.sha256(), 0
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
        with (
            os.fdopen(descriptor, "rb") as source,
            packed.open(_entry(inside, _when(run)), "w", force_zip64=True) as to,
        ):
            while chunk := source.read(_CHUNK):
                to.write(chunk)
                told.update(chunk)
                size += len(chunk)
    except OSError as error:
        raise Usage(f"{path}: cannot be packed ({error.strerror or error}); nothing was left") from error
    return {"path": inside, "bytes": size, "sha256": told.hexdigest()}


def _entry(name: str, when: tuple[int, int, int, int, int, int]) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, when)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    return entry


def _add(packed: zipfile.ZipFile, name: str, data: bytes, when: tuple[int, int, int, int, int, int]) -> None:
    packed.writestr(_entry(name, when), data)


def _when(run: Taken) -> tuple[int, int, int, int, int, int]:
    numbers = re.match(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)", run.result.started)
    with suppress(ValueError, TypeError):
        year, month, day, hour, minute, second = map(int, numbers.groups()) if numbers else _NO_EARLIER
        if 1980 <= year <= 2107:
            zipfile.ZipInfo("x", (year, month, day, hour, minute, second))
            return year, month, day, hour, minute, second
    return _NO_EARLIER


def _manifest(runs: Sequence[Taken], files: Sequence[dict[str, Any]], notes: Sequence[str]) -> bytes:
    names = _names(runs)
    told = {
        "schema": schema_of("handover"),
        "about": (
            "Runs of nightbench. Each folder is as its run left it; SHA256SUMS beside this file is for everything "
            "here, the one in a folder for that run alone. inputs/ holds the files as used, with the addresses and "
            "serial numbers of the bench."
        ),
        "simulated": any(run.result.simulated for run in runs),
        "nightbench": version("nightbench"),
        "forms": FORMS,
        "runs": [_run(run, name) for run, name in zip(runs, names, strict=True)],
        "left_out": list(notes),
        "files": list(files),
    }
    return msgspec.json.format(msgspec.json.encode(told), indent=2) + b"\n"


def _run(run: Taken, name: str) -> dict[str, Any]:
    result = run.result
    return {
        "folder": name,
        "procedure": result.procedure,
        "name": result.name,
        "simulated": result.simulated,
        "started": result.started,
        "ended": result.ended,
        "outcome": result.outcome or run.folder.outcome(),
        "end_reason": result.end_reason,
        "changed_since_its_end": list(run.notes),
    }
