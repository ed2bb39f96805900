"""The scripted instrument on every kind of line there is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from every_line import BACKENDS
from scripted import TIMEOUT_S, Script

from drivers.wire import Wire


@pytest.fixture
def script() -> Script:
    return Script()


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest, script: Script, tmp_path: Path) -> Iterator[Any]:
    one = BACKENDS[request.param](script, tmp_path)
    yield one
    one.stop()


@pytest.fixture
def wire(backend: Any) -> Iterator[Wire]:
    one = backend.wire(timeout_s=TIMEOUT_S)
    one.open()
    yield one
    one.close()
