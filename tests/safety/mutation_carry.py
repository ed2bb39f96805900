"""Carries what was measured over to a tree that has changed since: lines that moved, files that were split."""

from __future__ import annotations

import difflib
import json
import re
from pathlib import Path

from mutation_list import files_of, gated

_IMPORT = re.compile(r"^\s*(?:from|import) (\w+)", re.MULTILINE)

Lines = list[int]
"""For each line of a file (from 1) the line it was before; a new one counts as the last old one before it."""


def carry(records: Path, then: Path, now: Path) -> None:
    """Write every record of ``records`` anew for the tree ``now``; the record of a test file that has changed, or that
    imports one of ``tests`` that has, goes: its rows may stand there."""
    beside_then, beside_now = _beside(then), _beside(now)
    lines = {file: found for file in gated(now) if (found := _from(file, then, now)) is not None}
    for path in sorted(records.glob("*.json")):
        tests = json.loads(path.read_text(encoding="utf-8"))
        name = next(iter(tests), "").partition("::")[0]
        if not name or _read(then / name, beside_then) != _read(now / name, beside_now):
            path.unlink()
            continue
        for one in tests.values():
            if "hits" in one:
                old = {file: int(bits, 16) for file, bits in one["hits"].items()}
                moved = {file: _moved(old.get(was, 0), where) for file, (was, where) in lines.items()}
                one["hits"] = {file: f"{bits:x}" for file, bits in moved.items() if bits}
        path.write_text(json.dumps(tests), encoding="utf-8")


def _beside(tree: Path) -> dict[str, Path]:
    """What several test files share, by the name under which they import it."""
    found = (tree / "tests").rglob("*.py")
    return {path.stem: path for path in found if not path.name.startswith(("test_", "conftest"))}


def _read(path: Path, beside: dict[str, Path]) -> dict[str, str]:
    """A test file and all that it imports from beside it, directly or through others: name -> text."""
    texts: dict[str, str] = {}
    left = [path]
    while left:
        one = left.pop()
        texts[one.name] = _text(one)
        names = _IMPORT.findall(texts[one.name])
        left += [beside[name] for name in names if name in beside and beside[name].name not in texts]
    return texts


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""


def _moved(old: int, where: Lines) -> int:
    return sum(1 << line for line, was in enumerate(where) if was and old >> was & 1)


def _from(file: str, then: Path, now: Path) -> tuple[str, Lines] | None:
    """Which file it was, and its lines; a new one is taken to come out of the one of its part it shares most with."""
    if (then / file).exists():
        return file, old_lines(_text(then / file), _text(now / file))
    part = gated(now)[file]
    ways = [(old, old_lines(_text(then / old), _text(now / file))) for old in files_of(part, then)]
    return max(ways, key=lambda way: len(set(way[1])), default=None)


def old_lines(then: str, now: str) -> Lines:
    old, new = then.splitlines(), now.splitlines()
    where = [0] * (len(new) + 1)
    for block in difflib.SequenceMatcher(None, old, new, autojunk=False).get_matching_blocks():
        for n in range(block.size):
            where[block.b + n + 1] = block.a + n + 1
    for line in range(1, len(where)):
        where[line] = where[line] or where[line - 1]
    return where
