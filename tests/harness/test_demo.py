"""The demo: the same figures in memory and over sockets, nothing overwritten, and an end when its bench dies."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import harness.demo as demo

QUICK = (
    ("charge", ("amps=10", "volts=26.9", "end_amps=9.5")),
    ("capacity", ("charge_first=false", "rate_it=1.3", "rest_s=5", "rest_after_s=5")),
)
"""The same two procedures, at currents at which they take minutes of bench time instead of a night."""


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "JOBS", QUICK)


def figures_of(document: Any) -> dict[tuple[str, str], Any]:
    """By procedure and id; of a procedure that is run twice the first."""
    found: dict[tuple[str, str], Any] = {}
    for run in document["runs"]:
        for name, one in run["figures"].items():
            found.setdefault((run["procedure"], name), one)
    return found


def compare(cli: Any, tmp_path: Path, *more: object) -> tuple[Any, Any]:
    memory = cli("demo", "--json", "--out", tmp_path / "memory", *more)
    tcp = cli("demo", "--json", "--wire", "tcp", "--out", tmp_path / "tcp", *more)
    assert (memory.exit_code, tcp.exit_code) == (0, 0)
    one, other = figures_of(memory.document), figures_of(tcp.document)
    assert one.keys() == other.keys()
    for key, figure in one.items():
        assert other[key]["value"] == pytest.approx(figure["value"], rel=1e-9), key
        spread = figure["expanded_uncertainty"]
        assert other[key]["expanded_uncertainty"] == (None if spread is None else pytest.approx(spread, rel=1e-9)), key
    return memory, tcp


@pytest.mark.usefixtures("short")
@pytest.mark.parametrize("more", [(), pytest.param(("--seed", 7), marks=pytest.mark.slow)], ids=["nominal", "seed 7"])
def test_memory_and_sockets_agree_figure_by_figure(cli: Any, tmp_path: Path, more: tuple[object, ...]) -> None:
    memory, tcp = compare(cli, tmp_path, *more)
    for told, place in ((memory, tmp_path / "memory"), (tcp, tmp_path / "tcp")):
        folders = [Path(run["folder"]) for run in told.document["runs"]]
        assert sorted(place.iterdir()) == folders, "in the order of bench time, and nothing else is left"
        assert all(run["simulated"] for run in told.document["runs"])
        starts = [json.loads((folder / "result.json").read_bytes()) for folder in folders]
        assert starts[0]["ended"] <= starts[1]["started"], "the second run begins after the first has ended"


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_the_whole_night_agrees_too(cli: Any, tmp_path: Path) -> None:
    memory, tcp = compare(cli, tmp_path)
    assert memory.document["verdict"]["verdict"] == tcp.document["verdict"]["verdict"] == "fits with conditions"
    assert memory.document["verdict"]["figures"].keys() == tcp.document["verdict"]["figures"].keys()
    for name, figure in memory.document["verdict"]["figures"].items():
        other = tcp.document["verdict"]["figures"][name]
        assert abs(figure["value"] - other["value"]) <= 1e-6 * abs(figure["value"]), name
    found, true = figures_of(memory.document), cli("simulate", demo.SCENARIO, "--truth", "--json").document["figures"]
    for name in ("capacity_ah", "capacity_wh", "mean_v"):
        figure = found["capacity", name]
        assert abs(figure["value"] - true[name]["value"]) <= figure["expanded_uncertainty"]


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_whole_job_ends_with_the_true_class(cli: Any, tmp_path: Path) -> None:
    """Nothing is shortened. Every figure within three times what it says of itself; bounds on their own side."""
    told = cli("demo", "--json", "--seed", 11, "--out", tmp_path)
    assert told.exit_code == 0
    truth = cli("simulate", demo.SCENARIO, "--seed", 11, "--truth", "--json").document
    verdict = told.document["verdict"]
    assert verdict["verdict"] == truth["fit"]["verdict"]
    found = {name: one for (_, name), one in figures_of(told.document).items()} | verdict["figures"]
    shared = found.keys() & truth["figures"].keys()
    assert len(shared) >= 30
    for name in shared:
        figure, true = found[name], truth["figures"][name]["value"]
        off = float(figure["value"]) - float(true)
        sided = {"at least": max(off, 0.0), "at most": max(-off, 0.0)}.get(figure["bound"], abs(off))
        assert sided <= 3.0 * (figure["expanded_uncertainty"] or 0.0), name
    folders = [Path(run["folder"]).name for run in told.document["runs"]]
    assert verdict["runs"] == folders


@pytest.mark.usefixtures("short")
def test_what_a_person_reads(cli: Any, tmp_path: Path) -> None:
    told = cli("demo", "--out", tmp_path)
    assert told.exit_code == 0
    out = " ".join(told.out.split())
    capacity = out.partition("capacity, cabinet-8s: ")[2]
    assert capacity.startswith("the pack gave ")
    assert "Ah (k = 2.00) at 1.30 It down to 20 V, begun at 2" in capacity
    assert "% of its label; end volts reached. SIMULATED" in capacity
    assert "charge, cabinet-8s: the pack took " in out
    assert all("SIMULATED" in line for line in told.out.splitlines() if "+/-" in line and line.startswith("  "))
    assert told.err.startswith("SIMULATED bench, invented story")
    assert told.err.count("! Not a safety device") == 1
    assert told.err.count("SIMULATED: no real battery is touched; recording to") == 2


@pytest.mark.usefixtures("short")
def test_a_second_demo_overwrites_nothing(cli: Any, tmp_path: Path) -> None:
    (tmp_path / "runs" / "demo-files").mkdir(parents=True)
    mine = tmp_path / "runs" / "demo-files" / "bench.toml"
    mine.write_text("mine", encoding="utf-8")
    first = cli("demo", "--json", "--out", tmp_path / "runs").document
    kept = {path: path.read_bytes() for path in (tmp_path / "runs").rglob("*") if path.is_file()}
    second = cli("demo", "--json", "--out", tmp_path / "runs").document
    assert {run["folder"] for run in first["runs"]}.isdisjoint(run["folder"] for run in second["runs"])
    assert {path: path.read_bytes() for path in kept} == kept
    assert figures_of(first) == figures_of(second)


def test_seeds_differ(cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "JOBS", QUICK[:1])
    put_in = [
        figures_of(cli("demo", "--json", "--seed", seed, "--out", tmp_path).document)["charge", "charge_in_ah"]["value"]
        for seed in (1, 1, 2)
    ]
    assert put_in[0] == put_in[1] != put_in[2]


class Killed(subprocess.Popen[str]):
    """The server of a demo, found again by the test that wants it dead."""

    last: Killed

    def __init__(self, *words: Any, **how: Any) -> None:
        super().__init__(*words, **how)
        if "simulate" in words[0]:  # the run starts its guard as well
            type(self).last = self


@pytest.mark.parametrize("when", ["in the middle", "between two runs"])
def test_the_server_dies(cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str) -> None:
    monkeypatch.setattr(subprocess, "Popen", Killed)
    monkeypatch.setattr(demo, "JOBS", QUICK)
    monkeypatch.setattr("harness.safeoff.LADDER_UNSAFE_S", 0.5)
    at = {"in the middle": "show", "between two runs": "ended"}[when]
    screen_does = getattr(demo._Attendant, at)

    def and_kills(self: Any, *words: Any) -> None:
        screen_does(self, *words)
        os.kill(Killed.last.pid, signal.SIGKILL)
        Killed.last.wait()

    monkeypatch.setattr(demo._Attendant, at, and_kills)
    told = cli("demo", "--wire", "tcp", "--out", tmp_path)
    assert "Traceback" not in told.out + told.err
    assert "SIMULATED" in told.out
    err = " ".join(told.err.split())
    if when == "in the middle":
        assert told.exit_code == 90
        assert err.count("the process of the simulated bench") == 1
        assert "has ended by signal 9" in err
        assert "nothing real is on" in err
        assert "record:" in told.out
    else:
        assert told.exit_code == 11
        assert "charge, cabinet-8s: the pack took " in told.out, "what was done is told"
        assert err.splitlines()[-1].count("nightbench: ") == 1
    (folder,) = tmp_path.iterdir()
    assert json.loads((folder / "result.json").read_bytes())["outcome"] in ("unsafe", "finished")


def test_the_server_ends_with_a_demo_that_is_killed(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "harness.cli", "demo", "--wire", "tcp", "--out", str(tmp_path / "runs")]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    while "sourcing" not in process.stderr.readline():
        assert process.poll() is None
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="utf-8").split()
    servers = [one for one in children if b"simulate" in Path(f"/proc/{one}/cmdline").read_bytes()]
    process.kill()
    process.wait(timeout=20)
    process.stderr.close()
    # Listed while it lived: its guard is a child too, and ends by itself.
    (server,) = servers
    with open(os.pidfd_open(int(server)), closefd=True) as gone:
        ended, _, _ = select.select([gone], [], [], 20.0)
    assert ended, "an orphan goes on serving"
