"""Instruments' own watchdogs through the command line: before a run that is left alone, and by `nightbench stops`."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import harness.connect
from harness import unattended
from sims.bench import open_bench
from sims.manners import Manners


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


SHORT = {"charge_first": "false", "rest_s": "0", "rest_after_s": "0", "rate_it": "0.5", "end_v": "26.3"}
DISCHARGE = tuple(word for key, value in SHORT.items() for word in ("--set", f"{key}={value}"))


def events(out: Path) -> list[dict[str, Any]]:
    newest = max(out.iterdir(), key=lambda one: one.stat().st_mtime_ns)
    return [json.loads(line) for line in (newest / "events.jsonl").read_text().splitlines()]


@pytest.mark.usefixtures("joint_seen")
def test_before_a_run_that_is_left_alone(cli: Any, files: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written = files().edited("bench", (r'dialect = "scpi-load"$', 'dialect = "scpi-load-watchdog"'))
    habit, out, made = ["acts"], tmp_path / "runs", []

    def opened(scenario: str, *, now: Any, seed: Any) -> Any:
        load = Manners(shape="watchdog", watchdog=habit[0])
        made.append(open_bench(scenario, now=now, seed=seed, manners={"load": load}))
        return made[-1]

    monkeypatch.setattr(harness.connect, "open_simulated", opened)
    monkeypatch.setattr(unattended, "watched_before", lambda ready, identities=None: "")
    words = ("run", "capacity", *written.words(), *DISCHARGE, "--out", out)
    told = cli(*words, "--unattended")
    assert told.exit_code == 0, told.err
    found = events(out)
    assert [one["what"] for one in found if one.get("kind") == "stop tried"] == ["low-volts", "watchdog"]
    armed = [one for one in found if one.get("own_watchdog_s")]
    assert [(one["instrument"], one["own_watchdog_s"]) for one in armed] == [("load", 10.0)], "in the run itself"
    assert "load's own watchdog of its line" in " ".join((told.out + told.err).split())
    habit[0] = "ignored"
    told = cli(*words, "--unattended")
    assert told.exit_code == 40, told.err
    found = events(out)
    assert "it does not act" in next(one for one in found if one.get("kind") == "ended")["reason"]
    assert not [one for one in found if one.get("kind") == "energised"]
    assert not made[-1].world.load.input_on


def test_the_supply_s_is_let_expire_with_nothing_connected(
    cli: Any, serving: Callable[..., Any], tmp_path: Path
) -> None:
    dog = Manners(shape="watchdog")
    with serving("cabinet", stepped=True, manners={"supply": dog, "load": dog}) as bench:
        looked = cli("check", *bench.files.words(), "--unattended", "--out", tmp_path)
        assert "supply's own watchdog of its line (armed in each run, not seen to act" in " ".join(looked.out.split())
        assert "supply's own watchdog of its line was never seen to act: take the pack off" in " ".join(
            (looked.out + looked.err).split()
        )
        told = cli("stops", "--bench", bench.files.bench)
        assert told.exit_code == 0, told.err
        said = " ".join(told.out.split())
        assert "its own over-volts stop acted" in said
        assert "supply: its own watchdog of 10 s switched it off within 12 s after it was last told anything" in said
        assert "remembered for 30 days" in said
        assert not bench.served.bench.world.supply.output_on
        looked = cli("check", *bench.files.words(), "--unattended", "--out", tmp_path)
        said = " ".join((looked.out + looked.err).split())
        assert "supply's own watchdog of its line (armed in each run, seen to act 2" in said
        assert "never seen to act: take the pack off" not in said
