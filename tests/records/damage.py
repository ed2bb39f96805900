"""Ways in which a file of a run's folder can be damaged, and a command tried on what is left."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click
from click.testing import CliRunner

from harness.cli import main


def _gone(path: Path) -> None:
    path.unlink()


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _cut(path: Path) -> None:
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) * 2 // 3])


def _zeroed(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def _hole(path: Path) -> None:
    """Zero bytes in the middle, as a power cut leaves them."""
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2
    raw[middle : middle + 40] = bytes(40)
    path.write_bytes(bytes(raw))


def _other(path: Path) -> None:
    """A whole file, but of something else."""
    texts = {
        ".csv": b"time;volts\r\n1;2\r\n",
        ".json": b'{"answer": 42}\n',
        ".jsonl": b'{"level": "info"}\n{"level": "warning"}\n',
        ".toml": b'title = "something else"\n',
    }
    raw = texts.get(path.suffix if path.suffix != ".gz" else ".jsonl", b"# no checksums here\n")
    path.write_bytes(gzip.compress(raw) if path.suffix == ".gz" else raw)


def _foreign_columns(path: Path) -> None:
    """As another program saves it: another order of columns, no check values that fit."""
    lines = [line.split(",") for line in path.read_text("utf-8").splitlines()]
    path.write_text("".join(",".join([line[1], line[0], *line[2:]]) + "\r\n" for line in lines), encoding="utf-8")


def _future(path: Path) -> None:
    """As a later version might write it."""
    raw = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    if path.name == "result.json":
        raw = raw.replace(b"nightbench/result/1", b"nightbench/result/99")
    elif path.name.endswith("-metadata.json"):
        told = json.loads(raw)
        told["schema:schemaVersion"] = "nightbench/samples/99"
        raw = json.dumps(told).encode()
    else:
        head, _, rest = raw.partition(b"\n")
        raw = json.dumps(json.loads(head) | {"form": 99}, separators=(",", ":")).encode() + b"\n" + rest
    path.write_bytes(gzip.compress(raw) if path.suffix == ".gz" else raw)


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _link(path: Path) -> None:
    """A link to a file outside the run's folder that holds the very same."""
    outside = path.parents[2] / "outside" / path.name
    outside.parent.mkdir(exist_ok=True)
    path.rename(outside)
    path.symlink_to(outside)


def _pipe(path: Path) -> None:
    """A reader of it would wait without end."""
    path.unlink()
    os.mkfifo(path)


DAMAGE: dict[str, Callable[[Path], None]] = {
    "missing": _gone,
    "empty": _empty,
    "truncated": _cut,
    "zeros": _zeroed,
    "hole": _hole,
    "something else": _other,
    "foreign columns": _foreign_columns,
    "future": _future,
    "folder": _folder,
    "link": _link,
    "pipe": _pipe,
}

FORMED = ("result.json", "samples.csv-metadata.json", "events.jsonl", "wire.jsonl.gz")


def applies(file: str, damage: str) -> bool:
    """Whether such a file can be damaged so."""
    return (damage != "future" or file in FORMED) and (damage != "foreign columns" or file == "samples.csv")


@dataclass(frozen=True, slots=True)
class Said:
    """What a command told, on both outputs, on one line; and its exit code."""

    code: int
    text: str


def call(*words: str) -> Said:
    """One command in this process, with nobody at the terminal."""
    outcome = CliRunner().invoke(main, list(words))
    if outcome.exception is not None and not isinstance(outcome.exception, SystemExit):
        raise outcome.exception
    return Said(outcome.exit_code, " ".join(f"{outcome.stdout} {outcome.stderr}".split()))


def has(command: str) -> bool:
    return isinstance(main, click.Group) and command in main.commands


def snapshot(folder: Path) -> dict[str, object]:
    """Everything in it: kinds, contents, times of change."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        told = path.lstat()
        content = path.read_bytes() if path.is_file() and not path.is_symlink() else None
        found[path.relative_to(folder).as_posix()] = (told.st_mode, told.st_size, told.st_mtime_ns, content)
    return found
