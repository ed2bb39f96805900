"""One harness per instrument, and a note of which run may have left a bench live.

Both live in the user's state folder (XDG base directory specification), so that two shells find each other and a note
outlasts a restart of the computer; beside each lock stands one that other users of the computer meet
(``harness/shared_lock.py``). A simulated bench in memory belongs to its process and needs neither.
"""

from __future__ import annotations

import hashlib
import json
import os
import socket
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from harness.addresses import normal, simulated
from harness.config import BenchFile
from harness.durable import sync_dir
from harness.errors import Busy, EarlierRunOpen, Usage
from harness.plain import safe_text
from harness.shared_lock import Held, InstrumentLock

SOME_RUN = "a run that is not named any more"


def state_dir() -> Path:
    """Where locks and notes are kept: NIGHTBENCH_STATE, else XDG_STATE_HOME, else ~/.local/state; made when missing.

    Where nothing can be kept in the home folder it is a folder of this user's in the temporary one. Raises ``Usage``,
    also for a relative NIGHTBENCH_STATE: from each folder it would be another one.
    """
    if given := os.environ.get("NIGHTBENCH_STATE"):
        if not os.path.isabs(given):
            raise Usage(
                f"NIGHTBENCH_STATE = {safe_text(given)}: no whole path: from another folder it would be another one, "
                "and two runs could share a bench; write it out from the root, the same in every shell"
            )
        return _usable(Path(given), "NIGHTBENCH_STATE")
    base = os.environ.get("XDG_STATE_HOME", "")
    if not os.path.isabs(base):  # a relative one is ignored (XDG base directory specification)
        base = os.path.join(os.path.expanduser("~"), ".local", "state")
    try:
        return _usable(Path(base) / "nightbench", "the state folder")
    except Usage:
        user = os.getuid() if hasattr(os, "getuid") else 0
        return _usable(Path(tempfile.gettempdir()) / f"nightbench-{user}", "the state folder", mine=True)


def _usable(place: Path, what: str, *, mine: bool = False) -> Path:
    why = ""
    try:
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not os.access(place, os.W_OK | os.X_OK):
            why = "not writable"
        elif mine and hasattr(os, "getuid") and place.lstat().st_uid != os.getuid():
            why = "it belongs to another user"
    except OSError as error:
        why = error.strerror or str(error)
    if why:
        raise Usage(
            f"{what} {place}: {why}; without it two runs could share a bench: set NIGHTBENCH_STATE to a folder you "
            "may write to, the same one in every shell"
        )
    return place


def _key(address: str) -> str:
    return hashlib.sha256(repr(_resolved(normal(address))).encode()).hexdigest()[:24]


def address_lock(address: str) -> Path:
    """Where the lock on whatever answers at ``address`` is. Raises ``Usage``."""
    return state_dir() / f"{_key(address)}.lock"


def identity_lock(said: str) -> Path:
    """Where the lock on an instrument itself is, by ``harness.connect.known_as``. Raises ``Usage``."""
    return state_dir() / f"{hashlib.sha256(said.encode()).hexdigest()[:24]}.identity.lock"


def _resolved(address: str) -> str:
    """The address with its host as a number: one host has many spellings, and a lock must not miss one."""
    head, separator, rest = address.partition("::")
    host, _, tail = rest.partition("::")
    if not separator or not head.upper().startswith("TCPIP"):
        return address
    with suppress(OSError, UnicodeError):
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
        return f"{head}::{found[0][4][0]}::{tail}"
    return address


def live_runs() -> Iterator[Path]:
    """Folders of runs that notes of this user say may have left something on, or that are on. Raises ``Usage``."""
    for note in sorted(state_dir().glob("*.live.json")):
        with suppress(OSError, ValueError, KeyError, TypeError):
            yield Path(str(json.loads(note.read_bytes())["run"]))


@dataclass(slots=True)
class BenchLock:
    """Locks on every instrument of a bench, held until ``release``; and the note that a run may be live."""

    bench_file: BenchFile
    locks: list[InstrumentLock] = field(default_factory=list)

    @property
    def addresses(self) -> list[tuple[str, str]]:
        """Name and address of every instrument that is not simulated in memory."""
        return [(e.name, e.address) for e in self.bench_file.instruments if simulated(e.address) is None]

    def acquire(self) -> None:
        """Take all locks at once; raises ``Busy``, naming the run that holds the bench, or ``Usage``."""
        by_place = {address_lock(address): (name, address) for name, address in self.addresses}
        for place, (name, address) in sorted(by_place.items()):
            run = self._note_of(address)
            self._take(place, f"{name} ({address})", f" ({run})" if run else "")

    def acquire_identities(self, identities: Mapping[str, str]) -> None:
        """Take a lock on every instrument itself, by its name in the bench file and its answer to ``*IDN?``: one that
        is reached by LAN from here and by USB from there has two addresses. Raises ``Busy`` or ``Usage``."""
        by_place = {identity_lock(said): (name, said) for name, said in identities.items()}
        for place, (name, said) in sorted(by_place.items()):
            self._take(place, f"{name} ({said})", " by another address of it")

    def _take(self, place: Path, what: str, whose: str) -> None:
        lock = InstrumentLock(place)
        try:
            lock.acquire()
        except Held as held:
            self.release()
            raise Busy(
                f"{self.bench_file.path}: {what} is held by another run{held.whose}{whose}, which may be live; stop "
                f"that run, or `nightbench safe --bench {self.bench_file.path}`"
            ) from None
        except OSError as error:
            self.release()
            raise self._unusable(place, error) from error
        except Usage:
            self.release()
            raise
        self.locks.append(lock)

    def release(self) -> None:
        """Give the locks back; never raises."""
        for lock in self.locks:
            lock.release()
        self.locks.clear()

    def check_closed(self) -> None:
        """Raise ``EarlierRunOpen`` when a run on one of these instruments never showed that it was off."""
        for name, address in self.addresses:
            run = self._note_of(address)
            if run:
                raise EarlierRunOpen(
                    f"{name} ({address}): the run {run} ended without showing that the bench was off; it may be live: "
                    f"look at the bench, then `nightbench safe --bench {self.bench_file.path}`"
                )

    def mark_live(self, run: Path, *, subject: str = "pack", doubt: dict[str, float | str] | None = None) -> None:
        """Note, on disk, that ``run`` may have energised this bench. Raises ``Usage`` when that cannot be noted.

        ``subject``: what hangs on it, "pack" or "ups". ``doubt``: off was contradicted by the pack's volts; what was
        known before, for whoever proves it later.
        """
        for _, address in self.addresses:
            note = self._note(address)
            try:
                with open(note, "w", encoding="utf-8") as file:
                    json.dump(
                        {"run": os.path.abspath(run), "pid": os.getpid(), "subject": subject, "doubt": doubt}, file
                    )
                    file.flush()
                    os.fsync(file.fileno())
                sync_dir(note.parent)
            except OSError as error:
                self.mark_off()  # the run is refused now, so none of these notes would be true
                raise self._unusable(note, error) from error

    def live_notes(self) -> tuple[Path, ...]:
        """Where ``mark_live`` writes: while one of them is there, nobody has shown that this bench is off."""
        return tuple(self._note(address) for _, address in self.addresses)

    def mark_off(self) -> None:
        """Off was confirmed: take the note away. Never raises: a note that stays only asks for one look too many."""
        for _, address in self.addresses:
            with suppress(OSError, Usage):
                self._note(address).unlink(missing_ok=True)

    def doubt(self) -> dict[str, float | str] | None:
        """What was known before an off that the pack's volts contradicted, when a note says so; else ``None``."""
        for _, address in self.addresses:
            with suppress(OSError, ValueError, Usage):
                found = json.loads(self._note(address).read_bytes()).get("doubt")
                if isinstance(found, dict):
                    return found
        return None

    def subject(self) -> str:
        """What hung on the bench in the runs that notes tell of: "ups" where one says so, else "pack"."""
        found = set()
        for _, address in self.addresses:
            with suppress(OSError, ValueError, Usage, AttributeError):
                found.add(json.loads(self._note(address).read_bytes()).get("subject"))
        return "ups" if "ups" in found else "pack"

    def _note(self, address: str) -> Path:
        return state_dir() / f"{_key(address)}.live.json"

    def _note_of(self, address: str) -> str:
        """The run a note names; "" when there is no note. One that cannot be read still says that a run was there."""
        try:
            return str(json.loads(self._note(address).read_bytes())["run"]) or SOME_RUN
        except FileNotFoundError:
            return ""
        except (OSError, ValueError, KeyError, TypeError):
            return SOME_RUN

    def _unusable(self, place: Path, error: OSError) -> Usage:
        return Usage(
            f"{place}: {error.strerror or error}: cannot keep others off this bench; make room or mend the folder, or "
            "set NIGHTBENCH_STATE to one you may write to"
        )
