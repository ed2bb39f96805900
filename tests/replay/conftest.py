"""One small run of the corpus, for what is done to it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from corpus_files import unpack

from harness.folder import RunFolder


@pytest.fixture
def unpacked(tmp_path: Path) -> Callable[[str], RunFolder]:
    """The last run of a case, in a folder of its own."""

    def folder(name: str) -> RunFolder:
        return unpack(name, tmp_path / name)[-1]

    return folder
