"""Before a run that is left alone its guard is seen to act: on a bench that is served, in processes of its own."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness import rehearsal, rehearsed
from harness.clock import WallClock
from harness.connect import Connection, connect
from harness.errors import SelfTestFailed
from harness.folder import RunFolder
from harness.job import Job, Ready, prepare
from harness.procedure import procedures
from harness.rehearsal import GUARD_DIES, RUN_DIES, RUN_HANGS, WITHIN_S, NotInMemory, rehearse
from sims.scenario import load_scenario
from sims.serve import ServedBench, serve

SETS = ("charge_first=false", "rest_s=0")


@contextmanager
def served(place: Path, **how: Any) -> Iterator[tuple[ServedBench, Ready, Connection, RunFolder]]:
    bench = serve("porch", **how)
    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    connection = None
    try:
        job = Job(procedures()["capacity"], place / "bench.toml", place / "pack.toml", sets=SETS, out=place / "runs")
        ready = prepare(job)
        connection = connect(ready.site.bench)
        folder = RunFolder.create(place / "runs", procedure="capacity", name="x", started=connection.clock.utc())
        yield bench, ready, connection, folder
        folder.release()
    finally:
        if connection is not None:
            connection.close()
        stop.set()
        thread.join()
        bench.close()


@pytest.mark.parametrize(
    "how",
    [
        pytest.param({"stepped": True}, id="stepped"),
        pytest.param({"speed": 10.0}, id="scaled", marks=pytest.mark.slow),
    ],
)
def test_all_three_are_seen_to_act(how: dict[str, Any], tmp_path: Path) -> None:
    notes: list[dict[str, Any]] = []

    def note(kind: str, **more: Any) -> None:
        notes.append({"kind": kind, **more})

    with served(tmp_path, **how) as (bench, ready, connection, folder):
        found = rehearse(ready, connection, folder, note=note)
        world = bench.bench.world
        assert not world.load.input_on
        assert not world.supply.output_on
        connection.clock.sleep(1.0)  # time of this run goes on from where the others left it
        assert connection.rig is not None
        assert connection.rig.pack_volts() > 10.0
    took = {one["what"]: one["took_s"] for one in notes}
    print(took)
    assert list(took) == [RUN_HANGS, RUN_DIES, GUARD_DIES]
    assert all(took[what] <= WITHIN_S[what] for what in WITHIN_S)
    assert [one.took_s for one in found] == list(took.values())
    # It hung for as long as the guard waits, and not for less: nobody else ended it.
    assert took[RUN_HANGS] > 4.0
    for what, ended in ((RUN_HANGS, "off confirmed"), (RUN_DIES, "off confirmed"), (GUARD_DIES, "armed")):
        (log,) = folder.path.glob(f"rehearsed/{what}/*/guard.log")
        rows = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
        assert rows[-1]["what"] == ended
        (samples,) = folder.path.glob(f"rehearsed/{what}/*/samples.csv")
        assert samples.read_text(encoding="utf-8").count(",sinking,") >= 3


@pytest.mark.slow
def test_by_the_supply_where_there_is_no_load(tmp_path: Path) -> None:
    with served(tmp_path, stepped=True) as (bench, _, connection, folder):
        connection.close()
        text = (tmp_path / "bench.toml").read_text(encoding="utf-8")
        head, *tables = re.split(r"^(?=\[\[instrument\]\])", text, flags=re.MULTILINE)
        kept = [table for table in tables if 'role = "load"' not in table]
        (tmp_path / "bench.toml").write_text(head + "".join(kept), encoding="utf-8")
        ready = prepare(Job(procedures()["charge"], tmp_path / "bench.toml", tmp_path / "pack.toml"))
        again = connect(ready.site.bench)
        found = rehearse(ready, again, folder, note=lambda kind, **more: None)
        again.close()
        assert len(found) == 3
        assert not bench.bench.world.supply.output_on


def test_none_in_memory(tmp_path: Path) -> None:
    bench = serve("porch", stepped=True)  # for its files only
    addresses = {name: f"sim:porch/{name}" for name in bench.bench.names}
    (tmp_path / "bench.toml").write_text(bench.bench.bench_toml(addresses, clock=None), encoding="utf-8")
    (tmp_path / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    bench.close()
    job = Job(procedures()["capacity"], tmp_path / "bench.toml", tmp_path / "pack.toml", sets=SETS)
    ready = prepare(job)
    connection = connect(ready.site.bench)
    folder = RunFolder.create(tmp_path / "runs", procedure="capacity", name="x", started=connection.clock.utc())
    with pytest.raises(NotInMemory, match="a bench in memory ends with this program"):
        rehearse(ready, connection, folder, note=lambda kind, **more: None)
    folder.release()
    connection.close()


def test_too_late_is_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rehearsal, "WITHIN_S", {RUN_DIES: 0.0})
    with (
        served(tmp_path, stepped=True) as (_, ready, connection, folder),
        pytest.raises(SelfTestFailed, match=r"took .* s, limit 0 s; this run was not begun") as failed,
    ):
        rehearse(ready, connection, folder, note=lambda kind, **more: None)
    assert failed.value.exit_code == 40


def told(at_s: float = float("nan"), off_s: float = float("nan"), why: str = "") -> rehearsal._Told:
    return rehearsal._Told(at_s, off_s, why)


@pytest.mark.parametrize(
    ("what", "said", "why"),
    [
        (RUN_DIES, told(1.0), "a run that dies is ended by the guard: off was not confirmed"),  # no journal of a guard
        (GUARD_DIES, told(), "a run whose guard dies ends: off was not confirmed"),
        (GUARD_DIES, told(1.0, 6.1), "took 5.1 s, limit 5 s"),
    ],
)
def test_what_was_not_seen_is_a_failure(
    what: str, said: rehearsal._Told, why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rehearsal, "WITHIN_S", {what: WITHIN_S[what]})
    monkeypatch.setattr(rehearsal, "_try", lambda *given: said)
    with (
        served(tmp_path, stepped=True) as (_, ready, connection, folder),
        pytest.raises(SelfTestFailed, match=why),
    ):
        rehearse(ready, connection, folder, note=lambda kind, **more: None)


def test_whoever_is_left_on_is_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rehearsal, "WITHIN_S", {GUARD_DIES: 5.0})
    monkeypatch.setattr(rehearsal, "_try", lambda *given: told(1.0, 1.1))
    with served(tmp_path, stepped=True) as (_, ready, connection, folder):
        rig = connection.rig
        assert rig is not None
        assert rig.load is not None
        rig.load.switch(True)
        with pytest.raises(SelfTestFailed, match=r"load at .* A after it, and not off"):
            rehearse(ready, connection, folder, note=lambda kind, **more: None)


# -- through the command line ------------------------------------------------------------------------------------------

PLAN = ("charge_first=false", "rest_s=0", "rest_after_s=0", "rate_it=0.5", "end_v=25")


def command(place: Path, *words: str) -> subprocess.CompletedProcess[str]:
    files = ("--bench", str(place / "bench.toml"), "--pack", str(place / "pack.toml"), "--out", str(place / "runs"))
    sets = [part for one in PLAN for part in ("--set", one)]
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", "run", "capacity", *files, *sets, *words],
        capture_output=True,
        text=True,
        timeout=100,
        env={**os.environ, "NIGHTBENCH_STATE": str(place / "state")},
    )


def newest(place: Path) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    folder = max(one for one in (place / "runs").iterdir() if one.is_dir())
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()]
    return json.loads((folder / "result.json").read_bytes()), [one for one in events if "kind" in one]


@contextmanager
def cabinet(place: Path) -> Iterator[ServedBench]:
    facts = load_scenario("cabinet")
    with pytest.MonkeyPatch.context() as patch:
        # Half an It is left alone only where the joint is seen: by a load that measures at its own terminals.
        patch.setattr("sims.bench.load_scenario", lambda name: replace(facts, load=replace(facts.load, sense="local")))
        bench = serve("cabinet", stepped=True)
    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    try:
        yield bench
    finally:
        stop.set()
        thread.join()
        bench.close()


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_run_that_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once with somebody there; then alone, its guard seen to act before; then one whose load does not obey it."""
    with cabinet(tmp_path) as bench:
        assert command(tmp_path).returncode == 0
        told = command(tmp_path, "--unattended")
        assert told.returncode == 0, told.stderr
        assert "three times over" in " ".join(told.stderr.split())
        result, events = newest(tmp_path)
        assert [one["what"] for one in result["guard"]["rehearsed"]] == list(rehearsal.WORDS.values())
        kinds = [one["kind"] for one in events if one["kind"] in ("rehearsed", "guard", "energised")]
        assert kinds == ["rehearsed"] * 3 + ["guard", "energised"]
        guard = {(one["tried"], one["inside"][-1][:-10]) for one in events if one["kind"] == "barriers"}
        assert guard == {(False, "guard, made to act before it is "), (True, "guard, seen to act ")}, "on this day"
        kind = type(bench.bench.world.load)
        until_s = []

        def obstinate(self: object, name: str, value: object) -> None:
            """Takes no notice of the first "off" of something that is on, nor of any for 2.3 s after it: too long."""
            if name == "input_on" and value is False and getattr(self, name, False):
                until_s[:] = until_s or [WallClock().wall() + 2.3]
                if WallClock().wall() < until_s[0]:
                    return
            object.__setattr__(self, name, value)

        monkeypatch.setattr(kind, "__setattr__", obstinate, raising=False)
        told = command(tmp_path, "--unattended")
        assert told.returncode == 40, told.stderr
        result, events = newest(tmp_path)
        assert result["outcome"] == "refused"
        assert "a run that hangs is ended by the guard: took " in result["end_reason"]
        assert [one for one in events if one["kind"] == "energised"] == []
        assert not bench.bench.world.load.input_on


def test_nothing_comes_on_once_whoever_rehearses_is_gone(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Ours: the run was killed while its guard was tried, `nightbench safe` said "off, confirmed", and then what was
    left of the trial had the load take its current."""
    with served(tmp_path, stepped=True) as (bench, _ready, connection, _folder):
        connection.close()
        files = {"bench": str(tmp_path / "bench.toml"), "pack": str(tmp_path / "pack.toml"), "ups": None}
        given = {"what": RUN_DIES, "procedure": "capacity", **files, "sets": SETS, "out": str(tmp_path / "runs")}
        assert rehearsed.main({**given, "parent": os.getpid()}) == 0  # which is no child of this process
        assert json.loads(capfd.readouterr().out)["why"] == "stopped by a person (whoever rehearsed is gone)"
        (record,) = (tmp_path / "runs").glob("*-porch-*/events.jsonl")
        assert '"energised"' not in record.read_text(encoding="utf-8")
        assert not bench.bench.world.load.input_on
