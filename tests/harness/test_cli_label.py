"""A run on real instruments asks for the pack's label, and nothing is on before that. Simulated ones stand in."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from harness.screen import Screen


@pytest.fixture
def taken_for_real(monkeypatch: pytest.MonkeyPatch) -> None:
    """The simulated instruments count as real ones."""
    monkeypatch.setattr("harness.connect.SIMULATED_MAKER", "nobody")


@pytest.mark.usefixtures("taken_for_real")
def test_a_real_run_asks_for_the_label_first(
    cli: Any, files: Any, sims: list[Any], tmp_path: Path, quick: tuple[str, ...]
) -> None:
    words = ("run", "capacity", *files().words(), *quick, "--out", tmp_path / "runs")
    told = cli(*words)
    assert (told.exit_code, told.out) == (11, "")
    assert told.err.splitlines()[-1].startswith("nightbench: the label: cells in series")
    assert cli(*words, "--label-cells", "4").exit_code == 11
    assert not any(seen.ever_on for seen in sims)
    assert list((tmp_path / "runs").iterdir()) == []
    told = cli(*words, "--label-cells", "8", "--json")
    assert told.exit_code == 0
    assert told.document["runs"][0]["simulated"] is False
    assert "SIMULATED" not in told.err


@pytest.mark.usefixtures("taken_for_real")
def test_stopped_at_the_label_nothing_is_left(
    cli: Any, files: Any, sims: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import signal

    def pressed(_self: Screen, _ready: Any) -> None:
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(Screen, "acknowledge", pressed)
    told = cli("run", "capacity", *files().words(), "--out", tmp_path / "runs")
    assert told.exit_code == 20
    assert re.search(r"nightbench: stopped by a person \(SIGINT\) before anything was switched on\n\Z", told.err)
    assert sims[0].only_asked
    assert list((tmp_path / "runs").iterdir()) == []
