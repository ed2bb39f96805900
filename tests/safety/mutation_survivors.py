"""Mutants that no test can kill, each with the reason: ``mutation_survivors.toml``. It may only shrink."""

from __future__ import annotations

import tomllib
from pathlib import Path

FILE = Path(__file__).with_suffix(".toml")


def explained() -> dict[str, str]:
    """Key of a mutant -> why it is none."""
    return dict(tomllib.loads(FILE.read_text(encoding="utf-8")))
