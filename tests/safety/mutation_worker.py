"""Runs the mutants of one file in a copy of the tree: a fork each, which imports the mutated file afresh.

``python mutation_worker.py JOB``: a JSON file with ``file``, ``preload`` (modules that do not depend on it), ``quick``
(tests that take no time) and ``mutants``; each with ``key``, ``at``, ``end``, ``new``, ``tests`` in their order and
``limit_s``, how long one of them may take. One JSON line on standard output for each: ``key``, ``word`` (killed,
survived, timed out), ``by`` which test, ``seconds``.
"""

from __future__ import annotations

import ctypes
import gc
import importlib
import json
import os
import select
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

THIRD = ("numpy", "hypothesis", "click.testing", "rich.console", "msgspec", "filelock", "serial", "pyvisa", "pyvisa_py")
SUBREAPER = 36
"""PR_SET_CHILD_SUBREAPER (prctl(2)): what a mutant leaves running comes back to this process, which ends it."""

BEGUN = b"\0"

NEAR_FILES = 2


class Picked:
    """The tests that were asked for, in the order in which they were; the first that fails is told."""

    def __init__(self, tests: list[str], told: int) -> None:
        self._place = {test: place for place, test in enumerate(tests)}
        self._told = told

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = sorted((one for one in items if one.nodeid in self._place), key=lambda one: self._place[one.nodeid])

    def pytest_runtest_logstart(self) -> None:
        os.write(self._told, BEGUN)

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            os.write(self._told, report.nodeid.encode())

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed:
            os.write(self._told, b"import of " + report.nodeid.encode())


class Server:
    """In the place of pytest's own command: one run of it for each mutant."""

    def __init__(self, job: dict[str, Any]) -> None:
        self._job = job
        self._file = Path(job["file"])
        self._source = self._file.read_bytes()
        self._stat = self._file.stat()
        self._best: list[str] = []
        self._quick = set(job["quick"])

    @pytest.hookimpl(tryfirst=True)
    def pytest_cmdline_main(self, config: pytest.Config) -> int:
        for name in self._job["preload"]:
            with suppress(ImportError):
                importlib.import_module(name)
        gc.collect()
        gc.freeze()
        try:
            for one in self._job["mutants"]:
                print(json.dumps(self._tried(config, one)), file=sys.__stdout__, flush=True)
        finally:
            self._put(self._source, self._stat.st_mtime)
        return 0

    def _put(self, source: bytes, mtime: float) -> None:
        self._file.write_bytes(source)
        os.utime(self._file, (mtime, mtime))

    def _tried(self, config: pytest.Config, one: dict[str, Any]) -> dict[str, Any]:
        mutated = self._source[: one["at"]] + one["new"].encode() + self._source[one["end"] :]
        # Another time than the file's own: a compiled file of the source as it was does not pass for this one's.
        self._put(mutated, self._stat.st_mtime + 10 + self._job["mutants"].index(one))
        began = time.monotonic()
        word, by = "survived", ""
        for tests in self._stages(one["tests"]):
            word, by = self._forked(config, tests, one["limit_s"])
            if word != "survived":
                break
        if word == "killed" and by in self._quick:
            self._best = [by, *(test for test in self._best if test != by)][:12]
        return {"key": one["key"], "word": word, "by": by, "seconds": round(time.monotonic() - began, 3)}

    def _stages(self, tests: list[str]) -> list[list[str]]:
        """The nearest few test files by themselves, since reading all of them in takes longer than most tests; then
        the rest. What has killed others of this file is asked first."""
        known = set(tests)
        order = list(dict.fromkeys([*(test for test in self._best if test in known), *tests]))
        near: list[str] = []
        for test in order:
            name = test.partition("::")[0]
            if name not in near and len(near) < NEAR_FILES:
                near.append(name)
        first = [test for test in order if test.partition("::")[0] in near]
        rest = [test for test in order if test.partition("::")[0] not in near]
        return [one for one in (first, rest) if one]

    def _forked(self, config: pytest.Config, tests: list[str], limit_s: float) -> tuple[str, str]:
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            os.setsid()
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            os.close(told)
            self._run(config, tests, tell)
        os.close(tell)
        try:
            words, ended = b"", False
            until = time.monotonic() + limit_s
            while not ended and (left := until - time.monotonic()) > 0:
                if select.select((told,), (), (), left)[0]:
                    came = os.read(told, 4096)
                    words += came.replace(BEGUN, b"")
                    until = time.monotonic() + limit_s  # for each test anew
                    # The first that fails is enough, and what it would still tidy up is ended from here.
                    ended = bool(words) or not came
            return self._ended(child, words, ended)
        finally:
            os.close(told)
            _end_all()

    @staticmethod
    def _ended(child: int, words: bytes, ended: bool) -> tuple[str, str]:
        if words or not ended:
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if words:
            return "killed", words.decode(errors="replace")
        if not ended:
            return "timed out", ""
        # Where names of tests come out of the code a mutant may leave none of those asked for: that is no failure.
        return ("survived", "") if status in (0, pytest.ExitCode.NO_TESTS_COLLECTED) else ("killed", f"exit {status}")

    @staticmethod
    def _run(config: pytest.Config, tests: list[str], tell: int) -> None:
        from _pytest.main import _main, wrap_session

        null = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(null, number)
        config.args = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        config.option.maxfail = 1
        config.pluginmanager.register(Picked(tests, tell))
        code = 70
        try:
            code = int(wrap_session(config, _main))
        finally:
            os._exit(code)


def _end_all() -> None:
    """End what the mutant's tests have left running."""
    for _ in range(100):
        children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
        if not children:
            return
        for pid in map(int, children):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            with suppress(ChildProcessError):
                os.waitpid(pid, 0)


def main() -> int:
    job = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(SUBREAPER, 1, 0, 0, 0)
    # The time is over: what is being tried ends with this process, or it would run on for ever.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    sys.dont_write_bytecode = True
    for name in THIRD:
        with suppress(ImportError):
            importlib.import_module(name)
    # Without the program's own plugin: what is tried here is a copy of it, which is not imported before its time.
    words = ["-q", "-s", "-p", "no:cacheprovider", "-p", "no:nightbench", "-n", "0", "--assert=plain", "--tb=no"]
    words += ["--basetemp", sys.argv[1] + ".tmp", "tests"]
    return int(pytest.main(words, plugins=[Server(job)]))


if __name__ == "__main__":
    sys.exit(main())
