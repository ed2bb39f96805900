"""The mutation run itself: each operator makes its mutant, a strong test kills it, a weak one leaves a survivor, and
what is written down about survivors is true of the source as it is."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import mutation_list
import pytest
from mutants import Mutant, by_hand, mutants_of
from mutation import Campaign
from mutation_carry import carry, old_lines
from mutation_map import Map
from mutation_plan import independent_of
from mutation_survivors import explained

HERE = Path(__file__).parent


def made(source: str, *, tables: bool = False) -> dict[str, str]:
    """Change -> what stands there then."""
    return {
        f"{one.node}: {one.change}" if one.node else one.change: one.new
        for one in mutants_of("x.py", source, tables=tables)
    }


def body(line: str) -> str:
    return f"def f(a, b, k, x):\n    {line}\n"


@pytest.mark.parametrize(
    ("line", "node", "change", "new"),
    [
        ("return f(a < b)", "a < b", "edge 0", "(a <= b)"),
        ("return f(a <= b < k)", "a <= b < k", "edge 1", "(a <= b <= k)"),
        ("return f(a >= b)", "a >= b", "edge 0", "(a > b)"),
        ("return f(a == b)", "a == b", "contrary", "(a != b)"),
        ("return f(a is b)", "a is b", "contrary", "(a is not b)"),
        ("return f(a in b)", "a in b", "contrary", "(a not in b)"),
        ("return f(a and b)", "a and b", "and/or", "(a or b)"),
        ("return f(not a)", "not a", "not removed", "(a)"),
        ("return f(not (a <= x))", "not a <= x", "nan accepted", "(a > x)"),
        ("return f(not (a <= x < b))", "not a <= x < b", "nan accepted", "(a > x or x >= b)"),
        ("return f(-a)", "-a", "minus removed", "(a)"),
        ("return f(a + b)", "a + b", "arithmetic", "(a - b)"),
        ("return f(a / 1000)", "a / 1000", "arithmetic", "(a * 1000)"),
        ("return f(3)", "3", "-> 2", "(2)"),
        ("return f(3)", "3", "-> 4", "(4)"),
        ("return f(0.5)", "0.5", "-> 0.0", "(0.0)"),
        ("return f(0.5)", "0.5", "-> 5.0", "(5.0)"),
        ("return f(True)", "True", "other bool", "False"),
        ("return f(a if b else k)", "b", "always", "True"),
        ("return f(a if b else k)", "b", "never", "False"),
        ("return [a for a in b if k]", "k", "all taken", "True"),
        ("return f(min(a, b))", "min", "min -> max", "max"),
        ("return f(all(a))", "all", "all -> any", "any"),
        ("return f(abs(a))", "abs(a)", "abs removed", "(a)"),
        ("return f(sorted(a))", "sorted(a)", "sorted removed", "(a)"),
    ],
)  # fmt: skip
def test_operators_on_expressions(line: str, node: str, change: str, new: str) -> None:
    assert made(body(line))[f"{node}: {change}"] == new


@pytest.mark.parametrize(
    ("line", "change", "new"),
    [
        ("f(a)", "call removed", "pass"),
        ("raise a", "raise removed", "pass"),
        ("a += b", "assignment removed", "pass"),
        ("a = b + k", "assignment removed", "pass"),
        ("a.b = k", "assignment removed", "pass"),
        ("return a", "returns None", "return None"),
        ("return", "early return removed", "pass"),
        ("while a: break", "break removed", "pass"),
    ],
)
def test_operators_on_statements(line: str, change: str, new: str) -> None:
    assert made(body(line))[change] == new


def test_nets_are_taken_away() -> None:
    source = body("try:\n        f(a)\n    except OSError:\n        f(b)\n    finally:\n        f(k)\n        f(x)")
    (dropped,) = [one for one in mutants_of("x.py", source) if one.change == "finally dropped"]
    assert "f(k)" not in dropped.of(source)
    assert "f(x)" not in dropped.of(source)
    (raised,) = [one for one in mutants_of("x.py", source) if one.change == "error not handled"]
    assert "f(b)" not in raised.of(source)
    source = body("with suppress(OSError):\n        f(a)")
    (bare,) = [one for one in mutants_of("x.py", source) if one.change == "nothing suppressed"]
    assert "with suppress():" in bare.of(source)


def test_orders_are_swapped_and_dropped() -> None:
    table = made('ORDER = {"sink": ("load", "supply", "contactor")}\n', tables=True)
    assert "('supply', 'load', 'contactor')" in table.values()
    assert "('load', 'contactor')" in table.values()
    assert "{}" in table.values()
    assert made('ORDER = {"sink": ("load", "supply", "contactor")}\n') == {}


def test_what_is_only_words_is_left_alone() -> None:
    source = (
        '"""Text 1."""\n\nimport a\n\n__all__ = ["f"]\n\n\ndef f(a: int | None) -> "3":\n    """Text 2."""\n'
        '    assert a\n    b = f"{a / 1000:.3f} V"\n    c: dict[str, 3]\n'
    )
    assert made(source) == {}


def test_a_mutant_keeps_its_name_where_lines_move() -> None:
    before = "def f(a):\n    return g(a < 1)\n\n\ndef h(a):\n    return g(a < 1)\n"
    after = '"""New."""\n\n\ndef new():\n    return 5\n\n\n' + before
    assert {one.key for one in mutants_of("x.py", before)} <= {one.key for one in mutants_of("x.py", after)}
    assert len({one.key for one in mutants_of("x.py", after)}) == len(mutants_of("x.py", after))


def test_a_mutant_by_hand_must_know_its_place() -> None:
    assert by_hand("x.py", "a = 1\nb = 2\n", "b = 2", "b = 3", "b").of("a = 1\nb = 2\n") == "a = 1\nb = 3\n"
    with pytest.raises(ValueError, match="2 times"):
        by_hand("x.py", "a = 1\na = 1\n", "a = 1", "a = 2", "a")


# -- a whole run over a small module -----------------------------------------------------------------------------------

TINY = "def too_high(volts, limit):\n    return not volts <= limit\n"
HEAD = "from harness.tiny import too_high\n\n\n"
STRONG = (
    HEAD
    + """def test_edges():
    assert too_high(3.1, 3.0) is True
    assert too_high(3.0, 3.0) is False
    assert too_high(float("nan"), 3.0) is True
"""
)
WEAK = (
    HEAD
    + """def test_middle():
    assert too_high(4.0, 3.0)
    assert not too_high(2.0, 3.0)
"""
)


WORKER = [sys.executable, "-P", str(HERE / "mutation_worker.py")]
ENV = dict(os.environ)


def laid_out(place: Path, test: str) -> Path:
    """``TINY`` with one test file; the job that tries all its mutants."""
    for folder in ("harness", "tests"):
        (place / folder).mkdir()
        (place / folder / "__init__.py").touch()
    (place / "harness/tiny.py").write_text(TINY, encoding="utf-8")
    (place / "tests/test_tiny.py").write_text(test, encoding="utf-8")
    (place / "pyproject.toml").write_text("[tool.pytest.ini_options]\n", encoding="utf-8")
    name = "tests/test_tiny.py::" + ("test_edges" if test == STRONG else "test_middle")
    mutants = [
        {"key": one.change, "at": one.at, "end": one.end, "new": one.new, "tests": [name], "limit_s": 20.0}
        for one in mutants_of("harness/tiny.py", TINY)
    ]
    job = {"file": "harness/tiny.py", "preload": [], "quick": [], "mutants": mutants}
    (place / "job").write_text(json.dumps(job), encoding="utf-8")
    return place / "job"


def outcomes(place: Path, test: str) -> dict[str, str]:
    """Run the worker on it."""
    said = subprocess.run(
        [*WORKER, str(laid_out(place, test))], cwd=place, env=ENV | {"PYTHONPATH": str(place)},
        stdout=subprocess.PIPE, text=True, check=True,
    ).stdout  # fmt: skip
    assert (place / "harness/tiny.py").read_text(encoding="utf-8") == TINY, "it is left as it was found"
    found = [json.loads(line) for line in said.splitlines() if line.startswith("{")]
    return {one["key"]: one["word"] for one in found}


def test_a_strong_test_kills_all(tmp_path: Path) -> None:
    words = outcomes(tmp_path, STRONG)
    assert words == dict.fromkeys(("returns None", "not removed", "nan accepted", "edge 0"), "killed")


def test_a_weak_test_leaves_survivors(tmp_path: Path) -> None:
    words = outcomes(tmp_path, WEAK)
    assert words["not removed"] == words["returns None"] == "killed"
    assert words["nan accepted"] == words["edge 0"] == "survived"


# -- what is written down ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def every() -> dict[str, Mutant]:
    return {one.key: one for file, part in mutation_list.gated().items() for one in mutation_list.all_of(file, part)}


def test_every_survivor_is_still_there_and_has_its_reason(every: dict[str, Mutant]) -> None:
    gone = sorted(set(explained()) - set(every))
    assert not gone, "no such mutant any more: take it off the list"
    assert all(len(why.split()) >= 3 for why in explained().values())


def test_every_part_has_files_and_every_file_parses_under_each_mutant(every: dict[str, Mutant]) -> None:
    for part in mutation_list.PARTS:
        for pattern in part.files:
            assert list(mutation_list.ROOT.glob(pattern)), f"{part.name}: nothing is called {pattern}"
        for name in part.first:
            assert list((mutation_list.ROOT / "tests").glob(name)), f"{part.name}: {name}"
    for key, mutant in list(every.items())[::40]:
        source = (mutation_list.ROOT / mutant.file).read_text(encoding="utf-8")
        try:
            ast.parse(mutant.of(source))
        except SyntaxError as error:
            pytest.fail(f"{key}: {error}")


def test_every_mutant_made_by_hand_has_its_place(every: dict[str, Mutant]) -> None:
    there = {one.text for one in every.values() if one.where == "by hand"}
    assert there == {name for _, _, _, name in mutation_list.BY_HAND}


def test_what_does_not_depend_on_a_file_is_known() -> None:
    kept = independent_of("harness/interlock_tail.py", mutation_list.ROOT)
    assert "drivers.supply" in kept
    assert "harness.limits" in kept
    assert not {"harness.interlock_tail", "harness.interlocks", "harness.bench", "harness.cli"} & set(kept)


# -- what was measured, where lines have moved since -------------------------------------------------------------------


def test_what_was_measured_is_carried_over(tmp_path: Path) -> None:
    before = "def f(a):\n    if a:\n        g(a)\n    return h(a)\n"
    after = "import os\n\n\ndef f(a):\n    if a:\n        g(a)\n        new(a)\n    return h(a)\n"
    assert old_lines(before, after) == [0, 0, 0, 0, 1, 2, 3, 3, 4]
    for tree, text in (("then", before), ("now", after)):
        (tmp_path / tree / "harness").mkdir(parents=True)
        (tmp_path / tree / "tests").mkdir()
        (tmp_path / tree / "harness/limits.py").write_text(text, encoding="utf-8")
        texts = {
            "test_same": "",
            "test_changed": tree,
            "test_draws": "import shapes",
            "test_far": "from rows import ROWS",
        }
        texts |= {"shapes": "", "rows": "from sizes import BIG\n", "sizes": f"BIG = {tree!r}\n"}
        for name, told in texts.items():
            (tmp_path / tree / f"tests/{name}.py").write_text(told, encoding="utf-8")
    (tmp_path / "map").mkdir()
    for name in ("same", "changed", "draws", "far"):
        told = {f"tests/test_{name}.py::test": {"ok": True, "seconds": 0.1, "hits": {"harness/limits.py": "18"}}}
        (tmp_path / f"map/tests-test_{name}.py.json").write_text(json.dumps(told), encoding="utf-8")
    carry(tmp_path / "map", tmp_path / "then", tmp_path / "now")
    seen = Map(tmp_path / "map")
    kept = ["tests/test_draws.py::test", "tests/test_same.py::test"]
    assert sorted(seen.tests) == kept, "the others are measured anew, one for what it draws on"
    reached = [line for line in range(1, 10) if seen.of("harness/limits.py", {line})]
    assert reached == [6, 7, 8], "lines 3 and 4 were, and the new one behind the third"


# -- what the time did not suffice for ---------------------------------------------------------------------------------


def test_what_survived_before_all_was_measured_is_tried_again(tmp_path: Path) -> None:
    one = next(iter(mutants_of("harness/tiny.py", TINY)))
    run = Campaign(tmp_path, unmeasured=3)
    run.wrote(one, {"key": one.key, "word": "survived"})
    assert not run.hasty(one)
    run.unmeasured = 2
    assert run.hasty(one)
    run.wrote(one, {"key": one.key, "word": "survived"})
    assert not run.hasty(one)
    run.wrote(one, {"key": one.key, "word": "killed"})
    run.unmeasured = 0
    assert not run.hasty(one), "killed is killed"


def test_the_end_of_the_time_ends_what_is_being_tried(tmp_path: Path) -> None:
    """A mutant that never comes back would go on for ever where the worker alone is ended."""
    hangs = "import os, signal\nfrom pathlib import Path\n\n\ndef test_middle():\n"
    hangs += "    with open(Path('pipe'), 'w') as told:\n        told.write(str(os.getpid()))\n    signal.pause()\n"
    job = laid_out(tmp_path, hangs)
    os.mkfifo(tmp_path / "pipe")
    worker = subprocess.Popen([*WORKER, str(job)], cwd=tmp_path, env=ENV | {"PYTHONPATH": str(tmp_path)})
    tried = int((tmp_path / "pipe").read_text())
    worker.terminate()
    assert worker.wait() != 0
    with pytest.raises(ProcessLookupError):
        os.kill(tried, 0)
    assert (tmp_path / "harness/tiny.py").read_text(encoding="utf-8") == TINY, "it is left as it was found"
