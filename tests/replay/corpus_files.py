"""The corpus: recorded runs, kept packed, a file for each group of cases; what a case is, how they are packed.

Cases that are alike are packed together: most of what they hold is the same, and is then kept once.
"""

from __future__ import annotations

import functools
import gzip
import io
import tarfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.folder import RunFolder

CORPUS = Path(__file__).parent / "corpus"
INDEX = CORPUS / "cases.txt"
"""The name of every case, a line each: reading it costs less than unpacking."""

GROUPS = ("capacity", "charge", "c-rate", "floor", "ceiling", "served", "left-alone", "form1")
"""How the names of cases begin."""

KEPT = ("result.json", "samples.csv", "samples.csv-metadata.json", "events.jsonl", "wire.jsonl")
"""Of a run's folder what it was and what a replay needs; ``inputs/`` beside."""

Files = dict[str, bytes]
"""Of one case: by their place, which begins with the run's folder."""


@dataclass(frozen=True)
class Case:
    """``make(place)`` makes the runs, in a new folder. ``says``: how the last one ended, as its ``end_reason`` begins;
    "interrupted" where it was killed."""

    name: str
    says: str
    make: Callable[[Path], Iterable[RunFolder]]


def names() -> list[str]:
    """Every case that is packed."""
    return INDEX.read_text(encoding="utf-8").split()


def _packed(group: str) -> Path:
    return CORPUS / f"{group}.tar.xz"


@functools.cache
def contents(group: str) -> dict[str, Files]:
    """The cases of a group."""
    found: dict[str, Files] = {}
    if _packed(group).exists():
        with tarfile.open(_packed(group), "r:xz") as packed:
            for info in packed:
                file = packed.extractfile(info)
                assert file is not None
                case, _, place = info.name.partition("/")
                found.setdefault(case, {})[place] = file.read()
    return found


def put(made: dict[str, Iterable[RunFolder]], *, whole: bool) -> int:
    """Put these cases in the place of those of their names, or, ``whole``, of all in their groups; the same bytes for
    the same runs. The size of all."""
    for group in GROUPS:
        cases = {name: _files(folders) for name, folders in made.items() if name.startswith(group)}
        if cases:
            _pack(group, cases if whole else contents(group) | cases)
    contents.cache_clear()
    everything = sorted(name for group in GROUPS for name in contents(group))
    INDEX.write_text("".join(f"{name}\n" for name in everything), encoding="utf-8")
    return sum(path.stat().st_size for path in CORPUS.iterdir())


def _pack(group: str, cases: dict[str, Files]) -> None:
    with tarfile.open(_packed(group), "w:xz", preset=9, format=tarfile.PAX_FORMAT) as packed:
        for name, files in sorted(cases.items()):
            for place, data in files.items():
                info = tarfile.TarInfo(f"{name}/{place}")
                info.size, info.mode = len(data), 0o644
                packed.addfile(info, io.BytesIO(data))


def _files(folders: Iterable[RunFolder]) -> Files:
    return {f"{folder.name}/{name}": data for folder in folders for name, data in _of_one(folder.path)}


def _of_one(folder: Path) -> Iterator[tuple[str, bytes]]:
    packed = folder / "wire.jsonl.gz"
    for name in KEPT:
        if name == "wire.jsonl" and packed.exists():
            yield name, gzip.decompress(packed.read_bytes())
        elif (folder / name).exists():
            yield name, (folder / name).read_bytes()
    for path in sorted((folder / "inputs").iterdir()):
        yield f"inputs/{path.name}", path.read_bytes()


def unpack(name: str, place: Path) -> list[RunFolder]:
    """The runs of a case, oldest first."""
    group = next(group for group in GROUPS if name.startswith(group))
    for at, data in contents(group)[name].items():
        target = place / at
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return [RunFolder.open(path) for path in sorted(place.iterdir())]
