"""What is asked of whom: for each mutant the tests that reach it, quick ones first; and which modules a file's mutants
leave as they are."""

from __future__ import annotations

import ast
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

from mutants import Mutant
from mutation_list import GUARD_TESTS, Part, files_of
from mutation_map import Map

MOST_S = 3.0
"""Tests of one mutant, s, by what they took when they were measured; what goes beyond is asked in a deep run only."""

PATIENCE_S = 12.0
"""Longest a test may take under a mutant, s, beside ten times what it took."""

PACKAGES = ("drivers", "harness", "procedures", "sims")


@cache
def _users(root: Path, files: tuple[str, ...]) -> dict[str, set[tuple[str, int, str]]]:
    """Name -> where it is read: file, line of the statement, and the name that statement gives to something else when
    it stands outside a function."""
    found: dict[str, set[tuple[str, int, str]]] = {}
    for file in files:
        tree = ast.parse((root / file).read_text(encoding="utf-8"))
        for statement, inside in _statements(tree.body, False):
            gives = "" if inside else next(iter(defined(statement)), "")
            for name in _read_by(statement):
                found.setdefault(name, set()).add((file, statement.lineno, gives))
    return found


def _statements(body: list[ast.stmt], inside: bool) -> list[tuple[ast.stmt, bool]]:
    found = []
    for node in body:
        within = inside or isinstance(node, ast.FunctionDef)
        if not isinstance(node, ast.FunctionDef | ast.ClassDef):
            found.append((node, inside))
        for name in ("body", "orelse", "finalbody", "handlers"):
            for part in getattr(node, name, []):
                found += _statements(part.body if isinstance(part, ast.ExceptHandler) else [part], within)
    return found


def _read_by(statement: ast.stmt) -> set[str]:
    """Names and attributes of a statement without what stands in its body."""
    parts = [one for field, one in ast.iter_fields(statement) if field not in ("body", "orelse", "finalbody")]
    nodes = [one for part in parts for one in (part if isinstance(part, list) else [part]) if isinstance(one, ast.AST)]
    names = set()
    for node in nodes:
        for one in ast.walk(node):
            if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Load):
                names.add(one.id)
            elif isinstance(one, ast.Attribute):
                names.add(one.attr)
    return names


def defined(statement: ast.stmt) -> set[str]:
    """The names a statement gives."""
    targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
    return {one.id for target in targets if target for one in ast.walk(target) if isinstance(one, ast.Name)}


def tests_for(mutant: Mutant, part: Part, seen: Map, root: Path, files: tuple[str, ...], most_s: float) -> list[str]:
    """The tests to ask, the nearest and quickest first."""
    inside = mutant.where == "by hand" or not _at_class_level(root / mutant.file, mutant.line)
    found = seen.of(mutant.file, {mutant.line}) if inside else _tests_of_a_name(mutant, seen, root, files)
    if not found:  # it may run while the tests are read in, where nothing is measured
        found = seen.all_of(mutant.file)
    if not seen.all_of(mutant.file):  # it is new since the lines were measured, or runs as a process of its own
        found = {test for file in files_of(part, root) for test in seen.all_of(file)}
    if Path(mutant.file).name.startswith("guard"):
        found = found | {test for test in seen.tests if test.partition("::")[0] in GUARD_TESTS}
    near = {test for test in seen.tests for one in part.first if fnmatch(test.partition("::")[0], f"tests/{one}")}
    pure = set() if inside else near & seen.pure
    # Each within its own time: tests that run no gated line must not crowd out those that reach the mutant.
    return _within(pure, near, seen, most_s) + _within(found - pure, near, seen, most_s)


def _within(tests: set[str], near: set[str], seen: Map, most_s: float) -> list[str]:
    taken, sum_s = [], 0.0
    for test in sorted(tests, key=lambda test: (test not in near, seen.tests[test], test)):
        if taken and sum_s + seen.tests[test] > most_s:
            continue
        taken.append(test)
        sum_s += seen.tests[test]
    return taken


@cache
def _outside_functions(path: Path) -> frozenset[int]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(one.lineno for one, inside in _statements(tree.body, False) if not inside)


def _at_class_level(path: Path, line: int) -> bool:
    return line in _outside_functions(path)


def _tests_of_a_name(mutant: Mutant, seen: Map, root: Path, files: tuple[str, ...]) -> set[str]:
    users = _users(root, files)
    names = {mutant.text.partition(":")[0].partition("=")[0].strip()}  # of a table its beginning is enough
    tests: set[str] = set()
    asked: set[str] = set()
    while names - asked:
        name = (names - asked).pop()
        asked.add(name)
        for file, line, gives in users.get(name, ()):
            if gives:
                names.add(gives)
            else:
                tests |= seen.of(file, {line})
    return tests


def limit_s(tests: list[str], seen: Map) -> float:
    """How long one of these may take under a mutant, s."""
    return PATIENCE_S + 10 * max((seen.tests[test] for test in tests), default=0.0)


@cache
def _imports(root: Path) -> dict[str, set[str]]:
    """Module -> modules of the project that it imports."""
    names = {}
    for package in PACKAGES:
        for path in (root / package).glob("*.py"):
            names[f"{package}.{path.stem}"] = path
    found: dict[str, set[str]] = {}
    for name, path in names.items():
        told: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                told |= {one.name for one in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                told |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
        found[name] = told & names.keys()
    return found


def independent_of(file: str, root: Path) -> list[str]:
    """The project's modules that do not import ``file``, directly or through others."""
    imports = _imports(root)
    touched = {file.removesuffix(".py").replace("/", ".")}
    while more := {name for name, told in imports.items() if told & touched} - touched:
        touched |= more
    return sorted(set(imports) - touched)
