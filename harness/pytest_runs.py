"""For pytest: recorded runs as tests, each replayed and held against its record.

    pytest --nightbench-runs DIR

``DIR`` is the folder of one run or one that holds runs; the option may be given more than once, also in ``addopts``. A
run that does not come out as recorded fails with what differs first; a record that cannot be played fails in one line.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.folder import RunFolder


def pytest_addoption(parser: pytest.Parser) -> None:
    """``--nightbench-runs DIR``."""
    parser.getgroup("nightbench").addoption(
        "--nightbench-runs",
        action="append",
        default=[],
        metavar="DIR",
        help="replay the recorded run DIR, or every run in it, as a test of its own",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(session: pytest.Session, config: pytest.Config, items: list[pytest.Item]) -> None:
    """The runs come after the other tests."""
    for place in config.getoption("--nightbench-runs"):
        items.extend(Runs.from_parent(session, name=place, place=config.invocation_params.dir / place).collect())


class Runs(pytest.Collector):
    """The runs of one folder."""

    def __init__(self, *, place: Path, **more: Any) -> None:
        super().__init__(**more)
        self.place = place

    def collect(self) -> Iterator[pytest.Item]:
        from harness.errors import UserError

        try:
            folders = self._folders()
        except UserError as error:
            raise pytest.UsageError(f"--nightbench-runs: {error}") from error
        if not folders:
            raise pytest.UsageError(f"--nightbench-runs: {self.place}: no run in it; name the folder that holds them")
        for folder in folders:
            yield ReplayedRun.from_parent(self, name=folder.name, folder=folder)

    def _folders(self) -> tuple[RunFolder, ...]:
        from harness.errors import Usage
        from harness.folder import RunFolder, list_runs

        try:
            return (RunFolder.open(self.place),)
        except Usage:
            return list_runs(self.place)


class Unlike(Exception):
    """A run did not come out as recorded."""


class ReplayedRun(pytest.Item):
    """One run as a test."""

    def __init__(self, *, folder: RunFolder, **more: Any) -> None:
        super().__init__(**more)
        self.folder = folder

    def runtest(self) -> None:
        from harness.errors import Busy
        from harness.replay import replay
        from harness.replay_words import lines_of

        try:
            done = replay(self.folder)
        except Busy as busy:
            pytest.skip(str(busy))
        if not done.same:
            raise Unlike("\n".join(lines_of(done)))

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        """Words, no traceback, for what is no fault of the program."""
        from harness.errors import UserError

        if isinstance(excinfo.value, Unlike | UserError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, None, str]:
        return self.folder.path, None, f"replay of {self.folder.name}"
