"""What every test session rests on: a state folder of its own, and properties drawn the same way every time."""

from __future__ import annotations

import functools
import gc
import importlib.metadata
import tracemalloc  # noqa: F401 - pytest imports it when a leaked socket is noticed, at times in two threads at once
from collections.abc import Generator, Iterator

import pytest
from hypothesis import settings

# What is installed stays so while tests run: asked a thousand times, looked up once.
importlib.metadata.version = functools.cache(importlib.metadata.version)
importlib.metadata.entry_points = functools.cache(importlib.metadata.entry_points)

settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.register_profile("explore", deadline=None, database=None, max_examples=2000)
settings.load_profile("same")


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What was collected lives to the end: the garbage collector need not look through it again and again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()
        # Tests make far more short-lived records than cycles.
        gc.set_threshold(20_000, 10, 10)


@pytest.fixture(scope="session", autouse=True)
def _no_reports_by_themselves() -> Iterator[None]:
    """Hundreds of runs come to their end in a session, and only what is about reports looks at them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTBENCH_REPORT", "no")
        yield


@pytest.fixture(scope="session", autouse=True)
def _state_of_this_session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Locks and notes of a session must neither see nor leave anything in the person's own state folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTBENCH_STATE", str(tmp_path_factory.mktemp("state")))
        patch.setenv("NIGHTBENCH_LOCKS", str(tmp_path_factory.mktemp("locks")))
        yield
