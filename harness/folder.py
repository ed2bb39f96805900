"""A run's folder: made once, exclusively, and read by everyone afterwards.

    runs/<UTC start, ISO 8601 basic>-<procedure>-<name>/
      result.json  samples.csv  samples.csv-metadata.json  events.jsonl  wire.jsonl[.gz]  inputs/  marks/  report.html

While the run is on, the process that made the folder holds a lock in it; the kernel drops the lock with the process.
So a reader can tell a run that is on from one that was interrupted, and nobody has to write that down.
"""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import msgspec
from filelock import FileLock

from harness.badjson import BAD_JSON
from harness.durable import RecordFailed, replace_file, sync_dir
from harness.errors import Usage
from harness.held import is_held
from harness.inside import is_plain_file, open_inside, place_in
from harness.plain import basic_stamp, safe_text
from harness.sum_lines import read_sum_lines

INTERRUPTED = "interrupted"
RUNNING = "running"
LONGEST_NAME = 60
"""Characters kept of a pack's or UPS's name in a folder name."""

_RUN_NAME = re.compile(r"\d{8}T\d{6}Z-.+")
_LOCK = ".running"
_ROOM = ".room"

ROOM_BYTES = 256 * 1024
"""Disk space put aside while a run is on; its last events and its result take a few kilobytes."""
_SUMS = "SHA256SUMS"
"""A line of such a file: checksum and name, as common programs write and check them."""


def safe_name(name: str) -> str:
    """``name`` as part of a file name: ASCII letters, digits, ``.``, ``_`` and ``-``; ``unnamed`` when none is left."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9._-]+", "-", plain).strip("-.")[:LONGEST_NAME].rstrip("-.") or "unnamed"


def prepare_runs_dir(runs_dir: Path | str) -> Path:
    """Make sure that run folders can be made in ``runs_dir``; raises ``Usage`` in one line."""
    path = Path(runs_dir)
    if _is_run(path):
        raise Usage(f"--out {path}: this is the folder of one run; name the folder that holds the runs: {path.parent}")
    try:
        path.mkdir(parents=True, exist_ok=True)
        probe = path / f".write-{os.getpid()}"
        probe.mkdir()
        probe.rmdir()
    except FileExistsError as error:
        raise Usage(f"--out {path}: there is a file of this name; name a folder") from error
    except OSError as error:
        raise Usage(f"--out {path}: cannot write here ({error.strerror}); name a folder you may write to") from error
    return path


class _OutcomeOnly(msgspec.Struct):
    outcome: str | None = None


class _HashesOnly(msgspec.Struct):
    hashes: dict[str, str] = {}


class RunFolder:
    """The places in one run's folder. Made by ``create`` or ``open``, never directly."""

    def __init__(self, path: Path, lock: FileLock | None = None) -> None:
        self.path = path
        self.samples_csv = path / "samples.csv"
        self.samples_metadata = path / "samples.csv-metadata.json"
        self.events_jsonl = path / "events.jsonl"
        self.wire_jsonl = path / "wire.jsonl"
        self.wire_gz = path / "wire.jsonl.gz"
        self.result_json = path / "result.json"
        self.report_html = path / "report.html"
        self.inputs = path / "inputs"
        self.marks = path / "marks"
        self._lock = lock

    @classmethod
    def create(cls, runs_dir: Path | str, *, procedure: str, name: str, started: datetime) -> RunFolder:
        """Make a new folder that nobody else has, with ``inputs/`` and ``marks/``; raises ``Usage``."""
        parent = prepare_runs_dir(runs_dir)
        stem = f"{basic_stamp(started)}-{safe_name(procedure)}-{safe_name(name)}"
        try:
            path = _make_new(parent, stem)
            (path / "inputs").mkdir()
            (path / "marks").mkdir()
            lock = FileLock(path / _LOCK)
            lock.acquire(timeout=0)
            sync_dir(path)
            sync_dir(parent)
        except OSError as error:
            raise Usage(f"--out {parent}: cannot make the run's folder {stem} ({error.strerror or error})") from error
        return cls(path, lock)

    @classmethod
    def open(cls, path: Path | str) -> RunFolder:
        """An earlier run's folder, for reading; raises ``Usage``."""
        place = Path(path)
        if not place.exists():
            raise Usage(f"{safe_text(str(place))}: no such run; `nightbench runs` lists them")
        if not place.is_dir():
            raise Usage(f"{safe_text(str(place))}: a file; name the run's folder: {safe_text(str(place.parent))}")
        if not _is_run(place):
            raise Usage(
                f"{safe_text(str(place))}: not a run's folder: it holds no samples.csv, events.jsonl or result.json"
            )
        return cls(place)

    @property
    def name(self) -> str:
        """The folder's own name."""
        return self.path.resolve().name

    def add_input(self, name: str, data: bytes | str) -> str:
        """Keep a file as it was used under ``inputs/`` and return its SHA-256; raises ``RecordFailed``, and ``Usage``
        for a name that leads elsewhere."""
        raw = data.encode() if isinstance(data, str) else data
        place = place_in(self.inputs, name, told_by="input")
        if place.exists() or name == _SUMS:
            raise ValueError(f"{place}: kept already; give the second input another name")
        place.parent.mkdir(parents=True, exist_ok=True)
        replace_file(place, raw)
        digest = hashlib.sha256(raw).hexdigest()
        # The two-column form that common checksum programs write and check.
        sums = "".join(f"{sha}  {file}\n" for file, sha in sorted({**self.input_hashes(), name: digest}.items()))
        replace_file(self.inputs / _SUMS, sums.encode())
        return digest

    def input_hashes(self) -> dict[str, str]:
        """File name -> SHA-256 as written when the inputs were kept; raises ``Usage`` when that cannot be read."""
        return read_sum_lines(self.inputs / _SUMS, then="take it from a backup")

    def changed_inputs(self) -> tuple[str, ...]:
        """Names of inputs that are gone or no longer what they were when the run used them, by the sums beside them and
        by those in its result; raises ``Usage`` when the sums cannot be read."""
        told = (*self.input_hashes().items(), *self._hashes_in_result().items())
        return tuple(dict.fromkeys(name for name, sha in told if self._input_digest(name) != sha))

    def _hashes_in_result(self) -> dict[str, str]:
        try:
            with open_inside(self.result_json) as file:
                return msgspec.json.decode(file.read(), type=_HashesOnly).hashes
        except (OSError, ValueError, *BAD_JSON):
            return {}

    def _input_digest(self, name: str) -> str | None:
        try:
            return _digest(place_in(self.inputs, name, told_by=str(self.inputs / _SUMS)))
        except Usage:  # a name that leads elsewhere is not the one the run wrote
            return None

    def outcome(self) -> str:
        """The outcome in ``result.json``; without one ``running`` while the run is on, else ``interrupted``."""
        try:
            with open_inside(self.result_json) as file:
                found = msgspec.json.decode(file.read(), type=_OutcomeOnly).outcome
        except (OSError, ValueError, *BAD_JSON):
            found = None
        return found or (RUNNING if self.is_on() else INTERRUPTED)

    def is_on(self) -> bool:
        """True while the process that made the folder lives and has not released it."""
        if self._lock is not None:
            return self._lock.is_locked
        return is_held(self.path / _LOCK)

    def keep_room(self) -> None:
        """Put a little disk space aside, for the last events and the result when the disk has filled up meanwhile."""
        replace_file(self.path / _ROOM, os.urandom(ROOM_BYTES))

    def make_room(self) -> None:
        """Give that space back. Never raises."""
        with suppress(OSError):
            (self.path / _ROOM).unlink(missing_ok=True)

    def release(self) -> None:
        """The run is over; call after ``result.json`` was written. Also happens when the process ends."""
        if self._lock is not None:
            self._lock.release()


def list_runs(runs_dir: Path | str) -> tuple[RunFolder, ...]:
    """All run folders directly in ``runs_dir``, oldest first; raises ``Usage`` when there is no such folder."""
    path = Path(runs_dir)
    try:
        found = sorted(_run_dirs(path))
    except FileNotFoundError as error:
        raise Usage(f"{path}: no such folder; a run makes it, or name another with --out") from error
    except OSError as error:
        raise Usage(f"{path}: cannot read it ({error.strerror}); name the folder that holds the runs") from error
    return tuple(RunFolder(one) for one in found)


def _run_dirs(path: Path) -> Iterator[Path]:
    for one in path.iterdir():
        if _RUN_NAME.fullmatch(one.name) and one.is_dir():
            yield one


def _is_run(path: Path) -> bool:
    return any((path / name).is_file() for name in ("samples.csv", "events.jsonl", "result.json"))


def _make_new(parent: Path, stem: str) -> Path:
    # Two runs may start within one second of bench time; each still gets a folder of its own.
    for attempt in range(1, 1000):
        path = parent / (stem if attempt == 1 else f"{stem}-{attempt}")
        try:
            path.mkdir()
        except FileExistsError:
            continue
        return path
    raise FileExistsError(f"{stem}: 999 runs of this name and second are there already")


def _digest(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() if is_plain_file(path) else None
    except OSError:
        return None


__all__ = ["INTERRUPTED", "RUNNING", "RecordFailed", "RunFolder", "list_runs", "prepare_runs_dir", "safe_name"]
