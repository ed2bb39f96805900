"""Who may import whom, read off the syntax trees: procedures -> harness -> drivers -> pyvisa, pyserial; sims alone."""

from __future__ import annotations

import ast
import functools
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
OURS = ("procedures", "harness", "drivers", "sims")

MAY_IMPORT = {
    "procedures": {"procedures", "harness", "msgspec", "numpy"},
    "harness": {
        *("harness", "drivers", "click", "filelock", "jinja2", "markupsafe", "matplotlib", "msgspec", "numpy", "rich"),
    },
    "drivers": {"drivers", "msgspec", "pyvisa", "pyvisa_py", "serial", "zeroconf"},
    "sims": {"sims", "numpy"},
}
"""Top-level names beyond the standard library that each package may import, anywhere in a file."""

MAY_ASK_THE_TIME = (
    "harness/clock.py",
    *(
        f"harness/{name}.py"
        for name in (
            "guard",
            *(f"guard_{part}" for part in ("acting", "journal", "lines", "outputs", "round", "usb", "vxi11")),
        )
    ),
    "sims/serve.py",
)
"""Files that may import ``time``; all others are handed a clock or a ``now``."""

ALONE = {
    "harness/pytest_runs.py": {"pytest"},
    "harness/alarm_send.py": {"apprise"},
    "harness/page/app.py": {"starlette"},
    "harness/page/gate.py": {"starlette"},
    "harness/page/hurried.py": {"uvicorn"},
    "harness/page/serving.py": {"uvicorn"},
    "harness/export_parquet.py": {"pyarrow"},
    "harness/report/pdf.py": {"weasyprint"},
}
"""Files that may import more: what pytest itself loads of ours, and what an extra brings along."""

DISTRIBUTIONS = {"serial": "pyserial", "pyvisa_py": "pyvisa-py"}
"""Import name -> name of the distribution, where the two differ."""


EXTRAS = ("discover", "usb", "pdf", "test")
"""Extras of the distribution whose packages are imported where they are needed, with words for who has not got them."""


def files(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def all_files() -> list[str]:
    return [path.relative_to(ROOT).as_posix() for package in OURS for path in files(package)]


@functools.cache
def nodes(source: str) -> tuple[ast.AST, ...]:
    """Every node of its syntax tree."""
    return tuple(ast.walk(ast.parse(source)))


def imported(source: str) -> Iterator[str]:
    """Full names of everything imported in ``source``, also within functions and by name at run time."""
    for node in nodes(source):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield "." * node.level + (node.module or "")
        elif isinstance(node, ast.Call) and _called(node) in ("__import__", "import_module") and node.args:
            first = node.args[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                yield first.value


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def against_the_rule(package: str, source: str) -> list[str]:
    tops = {name.partition(".")[0] for name in imported(source)}
    return sorted(top for top in tops if top not in sys.stdlib_module_names | MAY_IMPORT[package])


PAST_THE_CLOCK = (
    "datetime.now",
    "datetime.utcnow",
    "datetime.today",
    "date.today",
    "datetime.datetime.now",
    "datetime.date.today",
    "asyncio.sleep",
)
LAST_WORDS = {name.rpartition(".")[2] for name in PAST_THE_CLOCK}


def asks_the_machine(source: str) -> list[str]:
    """Ways of asking the machine for the time, or of waiting, that pass the clock by."""
    found = [name for name in imported(source) if name.partition(".")[0] in ("time", "sched")]
    for node in nodes(source):
        if isinstance(node, ast.Attribute) and node.attr in LAST_WORDS and ast.unparse(node) in PAST_THE_CLOCK:
            found.append(ast.unparse(node))
    return found


def test_imports_go_one_way() -> None:
    wrong = {}
    for name in all_files():
        source = (ROOT / name).read_text(encoding="utf-8")
        if found := set(against_the_rule(name.partition("/")[0], source)) - ALONE.get(name, set()):
            wrong[name] = found
    assert wrong == {}


def test_only_the_clock_asks_the_machine_for_the_time() -> None:
    wrong = {}
    for name in all_files():
        if name not in MAY_ASK_THE_TIME and (found := asks_the_machine((ROOT / name).read_text(encoding="utf-8"))):
            wrong[name] = found
    assert wrong == {}
    assert set(MAY_ASK_THE_TIME) <= set(all_files())


@pytest.mark.parametrize(
    ("package", "source", "found"),
    [
        ("sims", "import harness.clock", ["harness"]),
        ("sims", "def f():\n    from drivers import scpi", ["drivers"]),
        ("sims", "import msgspec", ["msgspec"]),
        ("drivers", "from harness.clock import Clock", ["harness"]),
        ("harness", "import procedures.capacity", ["procedures"]),
        ("harness", "import pyvisa", ["pyvisa"]),
        ("harness", "__import__('sims.bench')", ["sims"]),
        ("harness", "import importlib\nimportlib.import_module('procedures.charge')", ["procedures"]),
        ("procedures", "from drivers.load import Load", ["drivers"]),
        ("procedures", "from . import charge", [""]),
        ("procedures", "import math\nfrom harness.bench import Bench", []),
    ],
)
def test_the_rule_sees(package: str, source: str, found: list[str]) -> None:
    assert against_the_rule(package, source) == found


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "def f():\n    from time import monotonic",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.date.today()",
        "import asyncio\nasyncio.sleep(1)",
    ],
)
def test_the_time_rule_sees(source: str) -> None:
    assert asks_the_machine(source)


def test_the_clock_is_where_it_is_said_to_be() -> None:
    assert "time" in set(imported((ROOT / "harness/clock.py").read_text(encoding="utf-8")))


def test_everything_imported_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = project["dependencies"] + project["optional-dependencies"]["discover"]
    declared = {re.split(r"[<>=!~\[ ;]", line)[0] for line in lines}
    declared |= {re.split(r"[<>=!~\[ ;]", line)[0] for one in EXTRAS for line in project["optional-dependencies"][one]}
    for package in OURS:
        for path in files(package):
            tops = {name.partition(".")[0] for name in imported(path.read_text(encoding="utf-8"))}
            needed = {DISTRIBUTIONS.get(top, top) for top in tops - set(OURS) if top not in sys.stdlib_module_names}
            assert needed <= declared, f"{path.relative_to(ROOT)} needs {needed - declared} in pyproject.toml"
