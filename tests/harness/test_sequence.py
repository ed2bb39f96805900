"""Runs one after the other and the verdict on them: when there is one, when not, and what is printed."""

from __future__ import annotations

import signal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import harness.demo as demo
from harness.errors import Usage
from harness.folder import list_runs
from harness.job import Done, Watcher
from harness.run import StoppedEarly
from harness.sequence import Asked, Place, in_order, judged, outlook, run_sequence
from harness.signals import IGNORED, SIGNALS, StopFlag
from harness.verdict import verdict_maker

SHORT = ("amps=10", "volts=26.9", "end_amps=9.5")
QUICK = (Asked("charge", SHORT), Asked("capacity", ("charge_first=false", "rate_it=1.3", "rest_s=5", "rest_after_s=5")))


@pytest.fixture
def place(files: Any, tmp_path: Path) -> Place:
    from sims.bench import open_bench

    made = files()
    ups = tmp_path / "ups.toml"
    ups.write_text(open_bench("cabinet", now=lambda: 0.0).ups_toml(), encoding="utf-8")
    return Place(made.bench, made.pack, ups, tmp_path / "runs")


def test_each_run_has_its_own_folder_and_all_files(place: Place) -> None:
    done = list(in_order(place, QUICK[:1] * 2, Watcher()))
    assert [one.result.procedure for one in done] == ["charge", "charge"]
    for folder in list_runs(place.out):
        assert {path.name for path in folder.inputs.glob("*.toml")} == {"bench.toml", "pack.toml", "ups.toml"}


def test_the_first_that_does_not_finish_is_the_last(place: Place) -> None:
    # 0.02 s are over before the charge is.
    stops = Asked("charge", (*SHORT, "longest_s=0.02"))
    done = list(in_order(place, (stops, QUICK[0]), Watcher()))
    assert len(done) == 1
    assert done[0].exit_code != 0
    assert judged("fit", done) is None


class TooLate(Watcher):
    """A person who presses Ctrl-C while the first run is being written up."""

    def __init__(self) -> None:
        self.ended_runs = 0

    def ended(self, done: Done) -> None:
        self.ended_runs += 1
        if self.ended_runs == 1:
            signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize("process_ends", [True, False])
def test_a_stop_while_a_run_is_written_up_keeps_the_next_from_beginning(
    place: Place, process_ends: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Ours: the first run was over, its flag was looked at by nobody any more, and the second one was energised.
    monkeypatch.setattr(StopFlag, "process_ends", process_ends)
    before = {number: signal.getsignal(number) for number in (*SIGNALS, *IGNORED)}
    try:
        with pytest.raises(StoppedEarly, match="SIGINT"):
            list(in_order(place, QUICK[:1] * 2, TooLate()))
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert len(list_runs(place.out)) == 1


def test_no_run_no_verdict() -> None:
    assert judged("fit", []) is None


def test_a_verdict_needs_every_run_finished() -> None:
    with pytest.raises(Usage, match="no such verdict is installed"):
        judged("nonsense", [SimpleNamespace(exit_code=0, folder=None)])
    assert judged("nonsense", [SimpleNamespace(exit_code=0), SimpleNamespace(exit_code=21)]) is None


def test_the_outlook_tells_every_run_and_the_whole(place: Place) -> None:
    lines = outlook(place, place.steps(run_sequence("qualify")))
    assert len(lines) == 8
    assert lines[0].startswith("1. charge, about ")
    assert lines[6].startswith("7. charge-ceiling, about ")
    assert lines[7].startswith("about ")
    assert not place.out.exists()


@pytest.mark.parametrize("maker", [run_sequence, verdict_maker])
def test_names_that_are_not_installed(maker: Any) -> None:
    with pytest.raises(Usage, match=r"nonsense: no such .* is installed"):
        maker("nonsense")


def test_a_dry_qualify_talks_to_nothing(cli: Any, place: Place, sims: list[Any]) -> None:
    told = cli("qualify", *_words(place), "--dry")
    assert told.exit_code == 0
    assert "voltage-floor" in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert sims == []
    assert not place.out.exists()


def _words(place: Place) -> list[object]:
    return ["--bench", place.bench, "--pack", place.pack, "--ups", place.ups, "--out", place.out]


@pytest.mark.parametrize("missing", ["--bench", "--pack", "--ups"])
def test_qualify_wants_all_three_files(cli: Any, place: Place, missing: str) -> None:
    words = _words(place)
    at = words.index(missing)
    cli("qualify", *words[:at], *words[at + 2 :]).refused(2, missing)


def test_qualify_refuses_what_the_files_do_not_bear_before_the_first_run(cli: Any, place: Place) -> None:
    text = place.pack.read_text(encoding="utf-8")
    place.pack.write_text(text.replace("cells_in_series = 8", "cells_in_series = 7"), encoding="utf-8")
    cli("qualify", *_words(place)).refused(2, "nominal_volts", "cells in series")
    assert not place.out.exists()


@pytest.mark.usefixtures("sims")
def test_the_demo_ends_with_a_verdict(cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "JOBS", [(one.procedure, one.sets) for one in QUICK])
    told = cli("demo", "--json", "--out", tmp_path / "runs")
    assert told.exit_code == 0
    assert [run["procedure"] for run in told.document["runs"]] == ["charge", "capacity"]
    assert told.document["verdict"]["verdict"] == "cannot tell"
    assert told.document["verdict"]["simulated"] is True
    page = cli("demo", "--out", tmp_path / "more")
    assert page.exit_code == 0
    assert page.out.startswith("Cannot tell: ")
    assert "Line by line: nightbench fit " in page.out


@pytest.mark.usefixtures("sims")
def test_a_demo_that_does_not_finish_has_no_verdict(cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "JOBS", [("charge", (*SHORT, "longest_s=0.02"))])
    told = cli("demo", "--json", "--out", tmp_path / "runs")
    assert told.exit_code != 0
    assert "verdict" not in told.document
