"""The whole job on a simulated bench, recorded and replayed: tens of thousands of messages a run."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.demo import demo
from harness.folder import list_runs
from harness.job import Watcher
from harness.replay import replay
from harness.replay_words import lines_of


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("wire", ["memory", "tcp"])
def test_every_run_of_the_demo_comes_out_again(wire: str, tmp_path: Path) -> None:
    for _ in demo(wire=wire, seed=7, out=tmp_path, watcher=Watcher()):
        pass
    runs = list_runs(tmp_path)
    assert len(runs) >= 6
    for folder in runs:
        done = replay(folder)
        print(*lines_of(done), sep="\n")
        assert done.same
