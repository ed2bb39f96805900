"""What ``--help`` costs: nothing heavy is imported for it, and it takes little longer than the option parser itself."""

from __future__ import annotations

import resource
import subprocess
import sys
from statistics import median

import pytest

HEAVY = (
    "drivers",
    "filelock",
    "harness.bench",
    "harness.connect",
    "harness.run",
    "jinja2",
    "matplotlib",
    "msgspec",
    "numpy",
    "procedures",
    "pyvisa",
    "pyvisa_py",
    "rich",
    "scipy",
    "serial",
    "sims",
)

LOADED = """
import sys
try:
    from harness.cli import main
    main({words})
finally:
    print()
    print(*sys.modules)
"""


@pytest.mark.parametrize("words", [["--help"], ["-h"], [], ["run", "--help"], ["simulate", "--help"], ["--version"]])
def test_nothing_heavy_is_imported_for_help(words: list[str]) -> None:
    code = LOADED.format(words=words)
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True).stdout
    loaded = set(told.splitlines()[-1].split())
    assert "harness.cli" in loaded
    assert sorted(loaded & set(HEAVY)) == []


def cpu_ms(*command: str) -> float:
    """Processor time of a command, user and system, ms; the median of nine."""
    spent = []
    for _ in range(9):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, timeout=60)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(1000 * (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime))
    return median(spent)


@pytest.mark.benchmark
def test_help_costs_little_more_than_its_option_parser() -> None:
    parser = cpu_ms(sys.executable, "-c", "import click, textwrap, shutil")
    ours = cpu_ms(sys.executable, "-m", "harness.cli", "--help")
    print(f"import click {parser:.0f} ms, nightbench --help {ours:.0f} ms")
    assert ours < 1.6 * parser
