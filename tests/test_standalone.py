"""The project stands alone: no file names anything that is not in it, save published standards and sources.

The needles are put together from halves, so that this file does not find itself.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from corpus_files import GROUPS, contents

ROOT = Path(__file__).parents[1]
PASSED_OVER = {
    ".git",
    ".hypothesis",
    ".mypy_cache",
    ".pytest_cache",
    ".ruff_cache",
    ".venv",
    "__pycache__",
    "build",
    "nightbench.egg-info",
    "runs",
}

NAMES = ("de" + "sign", "haz" + "ards", "sim-" + "spec", "wire-" + "facts", "field-" + "cases", "user-" + "needs")
NEEDLES = {
    "a page that is not here": rf"\b(?:{'|'.join(NAMES)}|sty" + r"le|rul" + r"es|contr" + r"acts)\.md\b",
    "a folder that is not here": r"(?:\.\./|/)(?:sha" + r"red|no" + r"tes)/|/wo" + r"rk/",
    "a code people cannot look up": r"\bI" + r"L[0-9]{2}\b",
    "a case number": r"\b[Cc]ase A" + r"[0-9]{2}\b|\(A" + r"[0-9]{2}[ab]?\)",
    "a specification that is not here": r"\b(?:[Tt]he|our) sp" + r"ec\b(?!tr)",
    "a number of an issue": r"\b[Ii]ss" + r"ue\s*#?[0-9]+\b",
    "a person's errand": r"\b[Hh]el" + r"per [A-Z]\b|\bthe le" + r"ad (?:writes|owns|says|wrote)\b",
}

ELSEWHERE = r"\b[\w.-]+/[\w.-]+ iss" + r"ue [0-9]+\b"
"""A public source, cited with the project it belongs to: OWNER/PROJECT and the number there."""

DOCUMENTATION = ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24")
"""Addresses kept for examples (RFC 5737)."""


def tree() -> Iterator[Path]:
    stack = [ROOT]
    while stack:
        for path in stack.pop().iterdir():
            if path.name in PASSED_OVER or path.name.startswith(".coverage"):
                continue
            if path.is_dir():
                stack.append(path)
            elif path.suffix not in (".gz", ".xz"):
                yield path


FILES = sorted(path.relative_to(ROOT).as_posix() for path in tree())


def finds(text: str) -> list[str]:
    """What a reader of ``text`` would have to look for outside the project."""
    own = re.sub(ELSEWHERE, "", text)
    return [f"{what}: {found[0]!r}" for what, needle in NEEDLES.items() for found in re.finditer(needle, own)]


def strange_addresses(text: str) -> list[str]:
    """IPv4 addresses that are neither of this machine nor kept for examples."""
    known = [ipaddress.ip_network(net) for net in ("127.0.0.0/8", "0.0.0.0/32", *DOCUMENTATION)]
    found = []
    # Clauses of standards look like addresses too, but begin with a single digit.
    for word in re.findall(r"(?<![\d.])\d{2,3}(?:\.\d{1,3}){3}(?![\d.])", text):
        try:
            address = ipaddress.ip_address(word)
        except ValueError:
            continue
        if not any(address in net for net in known):
            found.append(word)
    return found


def test_no_file_names_anything_outside() -> None:
    wrong = {}
    for name in FILES:
        text = (ROOT / name).read_text(encoding="utf-8")
        if found := finds(name) + finds(text) + strange_addresses(text):
            wrong[name] = found
    assert wrong == {}


@pytest.mark.parametrize(
    "text",
    [
        "see de" + "sign.md",
        "as haz" + "ards.md says",
        "../sha" + "red/reference",
        "/wo" + "rk/main",
        "I" + "L07 trips",
        "as in case A" + "28",
        "a dip of 50 ms (A" + "28a)",
        "the sp" + "ec says so",
        "iss" + "ue #12",
        "iss" + "ue 3",
        "hel" + "per F",
    ],
)
def test_the_needles_find(text: str) -> None:
    assert finds(text)


@pytest.mark.parametrize(
    "text", ["the spectrum", "owner/project iss" + "ue 96", "a style of ours", "IEC 61960-3", "README.md", "20 A10"]
)
def test_the_needles_let_pass(text: str) -> None:
    assert finds(text) == []


def test_addresses_are_told_apart() -> None:
    assert strange_addresses("TCPIP::192.0.2.10::5025::SOCKET 127.0.0.1:5025 0.0.0.0") == []
    assert strange_addresses("at 10.1.2." + "3") == ["10.1.2." + "3"]


def test_the_tree_was_read() -> None:
    assert {"README.md", "DEVELOPERS.md", "pyproject.toml", "harness/cli.py", ".ci/run"} <= set(FILES)


@pytest.mark.parametrize("group", GROUPS)
def test_recorded_runs_name_nothing_outside(group: str) -> None:
    for name, files in contents(group).items():
        for place, data in files.items():
            assert finds(data.decode()) + strange_addresses(data.decode()) == [], f"{name}: {place}"
