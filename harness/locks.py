"""One harness per instrument, and a note of which run may have left a bench live.

Both live in the user's state folder (XDG base directory specification), so that two shells find each other and a note
outlasts a restart of the computer. A simulated bench in memory belongs to its process and needs neither.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from filelock import FileLock, Timeout

from harness.addresses import normal, simulated
from harness.config import BenchFile
from harness.errors import Busy, EarlierRunOpen


def state_dir() -> Path:
    """Where locks and notes are kept: NIGHTBENCH_STATE, else XDG_STATE_HOME, else ~/.local/state; made when missing."""
    given = os.environ.get("NIGHTBENCH_STATE")
    base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "nightbench"
    place = Path(given) if given else base
    try:
        place.mkdir(parents=True, exist_ok=True)
        if os.access(place, os.W_OK):
            return place
    except OSError:
        pass
    fallback = Path(tempfile.gettempdir()) / f"nightbench-{os.getuid() if hasattr(os, 'getuid') else 0}"
    fallback.mkdir(mode=0o700, exist_ok=True)
    return fallback


def _key(address: str) -> str:
    return hashlib.sha256(repr(normal(address)).encode()).hexdigest()[:24]


@dataclass(slots=True)
class BenchLock:
    """Locks on every instrument of a bench, held until ``release``; and the note that a run may be live."""

    bench_file: BenchFile
    locks: list[FileLock] = field(default_factory=list)

    @property
    def addresses(self) -> list[tuple[str, str]]:
        return [(e.name, e.address) for e in self.bench_file.instruments if simulated(e.address) is None]

    def acquire(self) -> None:
        """Take all locks at once or raise ``Busy``, naming the run that holds the bench."""
        for name, address in sorted(self.addresses, key=lambda pair: _key(pair[1])):
            lock = FileLock(state_dir() / f"{_key(address)}.lock")
            try:
                lock.acquire(timeout=0)
            except Timeout:
                self.release()
                run = self._note_of(address)
                raise Busy(
                    f"{self.bench_file.path}: {name} ({address}) is held by another run{f' ({run})' if run else ''}, "
                    f"which may be live; stop that run, or `nightbench safe --bench {self.bench_file.path}`"
                ) from None
            self.locks.append(lock)

    def release(self) -> None:
        """Give the locks back; never raises."""
        for lock in self.locks:
            with suppress(OSError):
                lock.release()
        self.locks.clear()

    def _note(self, address: str) -> Path:
        return state_dir() / f"{_key(address)}.live.json"

    def _note_of(self, address: str) -> str:
        try:
            return str(json.loads(self._note(address).read_text())["run"])
        except (OSError, ValueError, KeyError):
            return ""

    def check_closed(self) -> None:
        """Raise ``EarlierRunOpen`` when a run on one of these instruments never showed that it was off."""
        for name, address in self.addresses:
            run = self._note_of(address)
            if run:
                raise EarlierRunOpen(
                    f"{name} ({address}): the run {run} ended without showing that the bench was off; it may be live: "
                    f"look at the bench, then `nightbench safe --bench {self.bench_file.path}`"
                )

    def mark_live(self, run: Path) -> None:
        """Note, on disk, that ``run`` may have energised this bench."""
        for _, address in self.addresses:
            with open(self._note(address), "w", encoding="utf-8") as file:
                json.dump({"run": str(run), "pid": os.getpid()}, file)
                file.flush()
                os.fsync(file.fileno())

    def mark_off(self) -> None:
        """Off was confirmed: take the note away."""
        for _, address in self.addresses:
            with suppress(FileNotFoundError):
                self._note(address).unlink()
