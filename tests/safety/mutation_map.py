"""Which test runs which line of a gated file, measured once by probes in front of every statement.

Run as ``python mutation_map.py PLACE FILE...`` in a copy of the tree it writes ``PLACE/<test file>.json`` for each
test file. ``Map`` reads that back and says which tests are worth asking about a line.
"""

from __future__ import annotations

import ast
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import sys
import time
from collections.abc import Generator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

Hits = dict[str, int]
"""File -> its lines that were run, a bit each."""


def probed(source: str) -> ast.Module:
    """The source with ``_hit[LINE] = 1`` in front of every statement of its functions."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for inner in ast.walk(node):
                for name in ("body", "orelse", "finalbody"):
                    body = getattr(inner, name, None)
                    if isinstance(body, list) and not any(_is_probe(one) for one in body):
                        setattr(inner, name, [new for one in body for new in (_probe(one), one)])
    return ast.fix_missing_locations(tree)


def _probe(statement: ast.stmt) -> ast.stmt:
    probe = ast.parse(f"_hit[{statement.lineno}] = 1").body[0]
    for node in ast.walk(probe):
        ast.copy_location(node, statement)
    return probe


def _is_probe(node: ast.AST) -> bool:
    return isinstance(node, ast.Assign) and ast.unparse(node).startswith("_hit[")


class _Loader(importlib.machinery.SourceFileLoader):
    hits: bytearray

    def get_code(self, fullname: str) -> Any:
        return compile(probed(Path(self.path).read_text(encoding="utf-8")), self.path, "exec")

    def exec_module(self, module: Any) -> None:
        module.__dict__["_hit"] = self.hits
        super().exec_module(module)


class Probes(importlib.abc.MetaPathFinder):
    """Import hook and pytest plugin in one."""

    def __init__(self, root: Path, files: list[str]) -> None:
        self._files = {file.removesuffix(".py").replace("/", "."): root / file for file in files}
        self._names = dict(zip(self._files, files, strict=True))
        self._hits: dict[str, bytearray] = {}
        self._shared: dict[str, Hits] = {}
        self.tests: dict[str, dict[str, Any]] = {}

    def find_spec(self, name: str, path: object = None, target: object = None) -> Any:
        if name not in self._files:
            return None
        where = self._files[name]
        loader = _Loader(name, str(where))
        lines = len(where.read_text(encoding="utf-8").splitlines())
        loader.hits = self._hits.setdefault(self._names[name], bytearray(lines + 2))
        return importlib.util.spec_from_file_location(name, where, loader=loader)

    def _take(self) -> Hits:
        """What was run since the last time."""
        taken = {}
        for file, hits in self._hits.items():
            if any(hits):
                taken[file] = sum(1 << line for line, one in enumerate(hits) if one)
                hits[:] = bytes(len(hits))
        return taken

    @pytest.hookimpl(wrapper=True)
    def pytest_make_collect_report(self, collector: Any) -> Generator[None, Any, Any]:
        self._take()
        report = yield
        if isinstance(collector, pytest.Module):
            self._shared[collector.nodeid] = self._take()  # what stands at module level of the tests
        return report

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Generator[None, Any, Any]:
        if fixturedef.scope == "function":
            return (yield)
        before = self._take()
        result = yield
        made = _either(self._shared.get(fixturedef.argname, {}), self._take())
        self._shared[fixturedef.argname] = made
        self._began = _either(self._began, before)
        return result

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Generator[None, Any, Any]:
        self._take()
        self._began: Hits = {}
        began = time.perf_counter()
        result = yield
        hits = _either(self._began, self._take())
        for shared in (item.parent.nodeid, item.nodeid.partition("::")[0], *item.fixturenames):
            hits = _either(hits, self._shared.get(shared, {}))
        one = self.tests.setdefault(item.nodeid, {"ok": True})
        one["seconds"] = round(time.perf_counter() - began, 4)
        one["hits"] = {file: f"{bits:x}" for file, bits in hits.items()}
        return result

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed or report.skipped:
            self.tests.setdefault(report.nodeid, {})["ok"] = False


def _either(one: Hits, other: Hits) -> Hits:
    return {file: one.get(file, 0) | other.get(file, 0) for file in {*one, *other}}


def measure(place: Path, root: Path, gated: list[str], test_files: list[str]) -> None:
    """Run each test file once under the probes. Each in a process of its own, so that none sees another's modules."""
    place.mkdir(parents=True, exist_ok=True)
    for test_file in test_files:
        child = os.fork()
        if child == 0:
            probes = Probes(root, gated)
            sys.meta_path.insert(0, probes)
            for name in gated:  # what runs while they are read in is nobody's
                with suppress(ImportError):
                    importlib.import_module(name.removesuffix(".py").replace("/", "."))
            # Without the program's own plugin, and plain: the program is imported here before pytest could rewrite it.
            words = ["-q", "-p", "no:cacheprovider", "-p", "no:nightbench", "-n", "0", "--no-header", "--assert=plain"]
            words.append(test_file)
            pytest.main(words, plugins=[probes])
            told = json.dumps(probes.tests)
            (place / (test_file.replace("/", "-") + ".json")).write_text(told, encoding="utf-8")
            os._exit(0)
        os.waitpid(child, 0)


class Map:
    """What ``measure`` wrote."""

    def __init__(self, place: Path) -> None:
        self.tests: dict[str, float] = {}
        self.pure: set[str] = set()
        """Tests that run no gated line: those that hold a table against what it must be are among them."""
        self._hits: dict[str, dict[str, int]] = {}
        for path in sorted(place.glob("*.json")):
            for test, one in json.loads(path.read_text(encoding="utf-8")).items():
                if one["ok"] and "hits" in one:
                    self.tests[test] = one["seconds"]
                    self.pure |= set() if one["hits"] else {test}
                    for file, bits in one["hits"].items():
                        self._hits.setdefault(file, {})[test] = int(bits, 16)

    def of(self, file: str, lines: set[int]) -> set[str]:
        """The tests that run one of these lines of ``file``."""
        mask = sum(1 << line for line in lines)
        return {test for test, bits in self._hits.get(file, {}).items() if bits & mask}

    def all_of(self, file: str) -> set[str]:
        """The tests that run anything of it."""
        return set(self._hits.get(file, ()))


if __name__ == "__main__":
    measure(Path(sys.argv[1]), Path.cwd(), json.loads(sys.argv[2]), sys.argv[3:])
