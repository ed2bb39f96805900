"""The scripted instrument of the contract suite, on every kind of line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from every_line import BACKENDS
from scripted import TIMEOUT_S, Script

from drivers.session import Session


@pytest.fixture
def script() -> Script:
    return Script()


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest, script: Script, tmp_path: Path) -> Iterator[Any]:
    one = BACKENDS[request.param](script, tmp_path)
    yield one
    one.stop()


@pytest.fixture
def opened(backend: Any) -> Iterator[Callable[..., Session]]:
    """A session on the line, open; what is given goes to the wire."""
    sessions: list[Session] = []

    def made(**keys: Any) -> Session:
        sessions.append(Session(backend.wire(**({"timeout_s": TIMEOUT_S} | keys))))
        sessions[-1].open()
        return sessions[-1]

    yield made
    for session in sessions:
        session.close()
