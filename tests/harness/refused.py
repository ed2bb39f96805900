"""A file that is refused: the one clear line a person reads about it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import Usage


def refusal_by(read: Callable[[Path], object], path: Path) -> str:
    """What ``read`` says about the file at ``path``, without its name: one line, with what to do next."""
    with pytest.raises(Usage) as caught:
        read(path)
    line = str(caught.value)
    assert line.isprintable()
    assert line.startswith(f"{path}: ")
    assert "; " in line
    assert caught.value.exit_code == 2
    return line.removeprefix(f"{path}: ")
