"""``nightbench export``: runs in one file for somebody else's program, or to hand over. The ending says which kind.

Nothing is written over: a file that is there is refused. What could not be used of a run, and what has changed in it
since its end, is told with what was written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from harness.derived import result_of
from harness.errors import Usage
from harness.folder import RUNNING, RunFolder
from harness.plain import safe_text
from harness.result import Result
from harness.sums import changes
from harness.verdict_folder import run_folders

SAMPLES, FIGURES = "samples", "figures"
KINDS = {
    ".csv": "one table of all runs, RFC 4180, with its metadata beside it",
    ".parquet": "the same as Parquet (needs the extra `tables`)",
    ".xml": "JUnit XML for continuous integration: figures and verdicts as cases",
    ".zip": "the folders to hand over, with a manifest",
}
"""Ending of the file -> what is written there."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One run to be exported. ``notes``: what of it could not be used, or has changed since its end, a line each."""

    folder: RunFolder
    result: Result
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        return self.folder.name


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written. ``count`` of ``what``: rows, cases or files."""

    file: Path
    kind: str
    runs: tuple[str, ...]
    count: int
    what: str
    bytes: int
    notes: tuple[str, ...]

    @property
    def document(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "file": str(self.file),
            "kind": self.kind,
            "runs": list(self.runs),
            self.what: self.count,
            "bytes": self.bytes,
            "notes": list(self.notes),
        }

    @property
    def words(self) -> str:
        """For a person: what was written, then every note."""
        many = f"{len(self.runs)} run{'s' * (len(self.runs) > 1)}"
        told = f"written: {self.file}: {many}, {self.count} {self.what}, {self.bytes} bytes"
        return "\n".join(safe_text(line) for line in (told, *(f"note: {note}" for note in self.notes)))


def export(folders: Sequence[Path | str], to: Path | str, *, of: str = SAMPLES) -> Exported:
    """Write the runs to the file ``to``. Raises ``Usage`` in one line, and then has written nothing."""
    target = Path(to)
    kind = target.suffix.lower()
    if kind not in KINDS:
        told = "; ".join(f"{ending}: {words}" for ending, words in KINDS.items())
        raise Usage(f"--to {safe_text(str(to))}: its ending says what is written: {told}")
    if of != SAMPLES and kind not in (".csv", ".parquet"):
        raise Usage(f"--of {of}: goes with a .csv or .parquet file; leave it out")
    runs = _taken(folders, whole=kind in (".xml", ".zip"))
    _outside(target, runs)
    count, what, left_out = _writer(kind, of)(runs, target)
    notes = (*(f"{run.name}: {note}" for run in runs for note in run.notes), *left_out)
    return Exported(target, kind[1:], tuple(run.name for run in runs), count, what, target.stat().st_size, notes)


def _writer(kind: str, of: str) -> Callable[[Sequence[Taken], Path], tuple[int, str, tuple[str, ...]]]:
    """What writes this kind; each is imported only when it is used."""
    if kind == ".zip":
        from harness.export_zip import write_zip

        return write_zip
    if kind == ".xml":
        from harness.export_junit import write_junit

        return write_junit
    if kind == ".parquet":
        from harness.export_parquet import write_figures_parquet, write_parquet

        return write_parquet if of == SAMPLES else write_figures_parquet
    from harness.export_csv import write_csv, write_figures_csv

    return write_csv if of == SAMPLES else write_figures_csv


def _taken(folders: Sequence[Path | str], *, whole: bool) -> tuple[Taken, ...]:
    """The runs, oldest first. ``whole``: those that are on are refused."""
    opened = run_folders(folders)
    if not opened:
        raise Usage("export: no runs; name their folders, `nightbench runs` lists them")
    places = [folder.path.resolve() for folder in opened]
    if twice := next((place for place in places if places.count(place) > 1), None):
        raise Usage(f"{twice}: named twice; name each run once")
    for folder in opened:
        if whole and folder.outcome() == RUNNING:
            raise Usage(f"{folder.path}: this run is still on; wait until it has ended")
    runs = [Taken(folder, result_of(folder), changes(folder)) for folder in opened]
    return tuple(sorted(runs, key=lambda run: (run.result.started, run.name)))


def _outside(target: Path, runs: Sequence[Taken]) -> None:
    for run in runs:
        if target.resolve().is_relative_to(run.folder.path.resolve()):
            raise Usage(f"--to {target}: lies in the run's own folder, which stays as the run left it; name another")
    if target.exists() or target.is_symlink():
        raise Usage(f"--to {target}: is there already and is not written over; name another file, or remove it first")


@contextmanager
def new_file(target: Path) -> Iterator[BinaryIO]:
    """A file that was not there before; taken away again when it does not get whole. Raises ``Usage``."""
    try:
        file = target.open("xb")
    except FileExistsError as error:
        raise Usage(f"--to {target}: is there already and is not written over; name another file") from error
    except OSError as error:
        raise Usage(f"--to {target}: cannot be written ({error.strerror}); name another place") from error
    try:
        with file:
            yield file
    except BaseException as error:
        with suppress(OSError):
            target.unlink()
        if isinstance(error, OSError):
            raise Usage(f"--to {target}: cannot be written ({error.strerror or error}); nothing was left") from error
        raise
