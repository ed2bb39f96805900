"""Makes ``night`` importable for the tests of this folder, and lets none of them wait for the disk."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if "night" not in sys.modules:
    _spec = importlib.util.spec_from_file_location("night", Path(__file__).with_name("night.py"))
    assert _spec is not None
    assert _spec.loader is not None
    _module = importlib.util.module_from_spec(_spec)
    sys.modules["night"] = _module
    _spec.loader.exec_module(_module)


@pytest.fixture(autouse=True)
def _quick() -> Iterator[None]:
    with sys.modules["night"].quick():
        yield
