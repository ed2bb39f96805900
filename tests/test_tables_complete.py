"""What is data is complete: no scenario, simulated part, entry point, figure, exit code, clock, hazard without its row.

Who adds one of them adds one row here; DEVELOPERS.md names which. Interlocks and dialects have files of their own.
"""

from __future__ import annotations

import ast
import re
from importlib import resources
from importlib.metadata import entry_points
from pathlib import Path

import grid
import pytest
from click.testing import CliRunner

from harness import errors, stops
from harness.cli import main
from harness.clock import Clock
from harness.listing import TITLES
from procedures.fit_work import IDS as VERDICT_IDS
from sims.bench import open_bench, scenarios

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


SCENARIOS = {
    "asleep": "open, asleep or not connected",
    "cabinet": "good to go",
    "manners": "good to go",
    "porch": "good to go",
    "reversed": "reversed",
    "sink": "good to go",
    "swapped": "received b'NIGHTBENCH,SIM-LOAD,",
    "weak": "good to go",
    "wrong-cells": "under its floor",
}
"""Scenario -> what `nightbench check` says about it."""


# -- simulated benches -------------------------------------------------------------------------------------------------


def test_every_scenario_has_a_row() -> None:
    assert set(scenarios()) == set(SCENARIOS)


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_scenario_loads_and_is_told_apart(name: str, tmp_path: Path) -> None:
    bench = open_bench(name, now=lambda: 0.0)
    assert scenarios()[name]
    addresses = {one: f"sim:{name}/{one}" for one in bench.names}
    texts = {"bench.toml": bench.bench_toml(addresses, own_dialects=True), "pack.toml": bench.pack_toml()}
    shipped = resources.files("drivers") / "dialects"
    texts |= bench.dialect_files(lambda one: (shipped / f"{one}.toml").read_text("utf-8"))
    for file, text in texts.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    words = ["check", "--bench", str(tmp_path / "bench.toml"), "--pack", str(tmp_path / "pack.toml")]
    outcome = CliRunner().invoke(main, words)
    assert outcome.exit_code == (0 if SCENARIOS[name] == "good to go" else 11), outcome.output
    assert SCENARIOS[name] in " ".join(outcome.output.split())


@pytest.mark.parametrize("path", sorted((ROOT / "sims").glob("*.py")), ids=lambda path: path.name)
def test_every_simulated_part_says_what_it_leaves_out(path: Path) -> None:
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    assert path.name == "__init__.py" or "Not modelled:" in text


GROUPS = ["nightbench.benches", "nightbench.servers", "nightbench.procedures", "nightbench.verdicts"]


@pytest.mark.parametrize("group", GROUPS)
def test_entry_points_load(group: str) -> None:
    found = list(entry_points(group=group))
    assert found
    for one in found:
        loaded = one.load()
        assert callable(getattr(loaded, "run", getattr(loaded, "judge", loaded)))


# -- figures -----------------------------------------------------------------------------------------------------------


def figure_ids(source: str) -> set[str]:
    """Keys under which a procedure files a ``figure(...)`` or ``Figure(...)``."""

    def is_figure(node: ast.expr | None) -> bool:
        return isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("figure", "Figure")

    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Dict):
            found |= {k.value for k, v in zip(node.keys, node.values, strict=True) if is_figure(v)}
        elif isinstance(node, ast.Assign) and is_figure(node.value):
            found |= {one.slice.value for one in node.targets if isinstance(one, ast.Subscript)}
    return found


MEMBERS = {"amps", "min_v"}
"""Figures within entries of a list; they are printed under their ids."""


def test_figure_ids_are_seen() -> None:
    assert figure_ids('a = {"x_v": figure(1), "n": 2}\na["y_v"] = Figure(2)\nb = figure(3)') == {"x_v", "y_v"}


def test_every_figure_has_a_title_and_every_title_a_figure() -> None:
    used = set().union(*(figure_ids(path.read_text("utf-8")) for path in (ROOT / "procedures").glob("*.py")))
    assert used - MEMBERS | {*VERDICT_IDS, "runtime_s"} == set(TITLES)


def test_true_figures_go_by_the_same_ids() -> None:
    source = (ROOT / "sims" / "truth.py").read_text(encoding="utf-8")
    assert figure_ids(source)
    assert figure_ids(source) <= set(TITLES)


# -- exit codes --------------------------------------------------------------------------------------------------------


def codes_in_use() -> dict[int, set[str]]:
    """Exit code -> names that stand for it: classes of refusals and stops, and findings with a code of their own."""
    found: dict[int, set[str]] = {0: set(), 1: {"ProgramError"}, stops.OFF_UNREADABLE: {"OFF_UNREADABLE"}}
    for module in (errors, stops):
        for name, one in vars(module).items():
            if isinstance(one, type) and issubclass(one, errors.UserError | stops.RunStopped):
                found.setdefault(one.exit_code, set()).add(name)
    for path in (ROOT / "harness").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                for keyword in node.keywords:
                    if keyword.arg == "exit_code" and isinstance(keyword.value, ast.Constant):
                        found.setdefault(int(keyword.value.value), set())
    return found


def table_of_codes(page: str) -> dict[int, str]:
    rows = re.findall(r"^\| (\d+) \| (.*) \|$", page, re.MULTILINE)
    assert len({code for code, _ in rows}) == len(rows), "a code twice"
    return {int(code): rest for code, rest in rows}


def test_readme_has_every_exit_code() -> None:
    assert set(table_of_codes(README)) == set(codes_in_use())


def test_developers_has_every_exit_code_and_who_raises_it() -> None:
    table = table_of_codes(DEVELOPERS)
    assert set(table) == set(codes_in_use())
    for code, names in codes_in_use().items():
        assert names - {"UserError", "RunStopped"} <= set(re.findall(r"`(\w+)`", table[code])), code
    assert max(table) < 126, "126 and up are the shell's (POSIX, 2.8.2)"


@pytest.mark.parametrize("kind", sorted({one.kind for one in Clock.__subclasses__() if one.kind} | {"scaled"}))
def test_developers_has_every_clock(kind: str) -> None:
    assert re.search(rf"^\| {kind} \|", DEVELOPERS, re.MULTILINE)


# -- hazards -----------------------------------------------------------------------------------------------------------


def test_every_hazard_has_its_proofs_in_every_phase_of_every_procedure() -> None:
    """Neither a row without a proof, nor a proof without a row, nor a phase of a procedure with neither cell nor
    reason; that it does tell of them is shown in tests/safety/test_hazard_grid.py."""
    assert grid.lacking(DEVELOPERS) == []


def test_proofs_that_are_tests_of_their_own_are_there() -> None:
    assert grid.missing_tests() == []
