"""No test of this folder waits for the disk."""

from __future__ import annotations

from collections.abc import Iterator

import night
import pytest


@pytest.fixture(autouse=True)
def _quick() -> Iterator[None]:
    with night.quick():
        yield
