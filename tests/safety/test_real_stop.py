"""Everything in processes of its own, as people run it: a bench served by ``nightbench simulate``, a run against it, a
signal in the middle; then a second client asks the instruments, and the bench itself, whether all is off.

Waits are bounded, and only processes started here are told anything.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.folder import RunFolder, list_runs
from harness.jsonlines import events
from harness.samplefile import samples

PATIENCE_S = 40.0
NIGHTBENCH = (sys.executable, "-m", "harness.cli")
AS_A_PERSON = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "start_new_session": True}


def until(true: Callable[[], bool], *processes: subprocess.Popen[str]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        for process in processes:
            assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, "not in time"
        time.sleep(0.01)


@dataclass(frozen=True)
class Served:
    """A bench in another process."""

    process: subprocess.Popen[str]
    told: dict[str, Any]

    def ask(self, name: str, message: str) -> str:
        """Ask an instrument, as a second client does."""
        _, host, port, _ = self.told["instruments"][name].split("::")
        return self._line(host, port, message)

    def truth(self) -> dict[str, Any]:
        host, _, port = self.told["control"].partition(":")
        found: dict[str, Any] = json.loads(self._line(host, port, "truth"))
        return found

    @staticmethod
    def _line(host: str, port: str, message: str) -> str:
        with socket.create_connection((host, int(port)), timeout=10) as line:
            line.sendall(message.encode() + b"\n")
            return line.makefile().readline().strip()

    def words(self) -> tuple[str, ...]:
        return ("--bench", self.told["bench_file"], "--pack", self.told["pack_file"])


@pytest.fixture(scope="module", params=[("--speed", "20"), ("--stepped",)], ids=["in real time", "stepped"])
def served(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    files = tmp_path_factory.mktemp("bench")
    command = (*NIGHTBENCH, "simulate", "porch", *request.param, "--files", str(files), "--json")
    process: subprocess.Popen[str] = subprocess.Popen(command, **AS_A_PERSON)
    assert process.stdout is not None
    yield Served(process, json.loads(process.stdout.readline()))
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out, err) == (0, "", "")


RUNS = {
    "charge, Ctrl-C twice": ("charge", (), "sourcing", (signal.SIGINT, signal.SIGINT)),
    "capacity, told to end": ("capacity", ("charge_first=false", "rest_s=0"), "sinking", (signal.SIGTERM,)),
}
ROWS = 12
"""Samples after which the signal comes."""


def begun(runs: Path, state: str) -> bool:
    """Whether the run has written this many samples in this state."""
    return any(
        (folder.path / "samples.csv").read_text(encoding="utf-8").count(f",{state},") >= ROWS
        for folder in list_runs(runs)
        if (folder.path / "samples.csv").exists()
    )


@pytest.mark.parametrize("name", RUNS)
def test_stopped_in_the_middle(served: Served, name: str, tmp_path: Path) -> None:
    procedure, sets, state, signals = RUNS[name]
    words = [part for one in sets for part in ("--set", one)]
    command = (*NIGHTBENCH, "run", procedure, *served.words(), *words, "--out", str(tmp_path), "--json")
    process: subprocess.Popen[str] = subprocess.Popen(command, **AS_A_PERSON)
    until(lambda: begun(tmp_path, state), process, served.process)
    energised = "load_on" if state == "sinking" else "supply_on"
    before = served.truth()
    assert before[energised], "there is something to be switched off"
    for number in signals:
        process.send_signal(number)
        time.sleep(0.002)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 20, err
    assert served.ask("supply", "OUTP?") == "0"
    assert served.ask("load", "INP?") == "0"
    now = served.truth()
    assert (now["supply_on"], now["load_on"]) == (False, False)
    assert abs(now["pack_amps"]) < 0.03 < abs(before["pack_amps"])
    assert "Traceback" not in err
    assert err.count(f"{signals[0].name}: stopping") == 1
    (told,) = json.loads(out)["runs"]
    assert (told["outcome"], told["exit_code"], told["simulated"]) == ("stopped", 20, True)
    whole(RunFolder.open(told["folder"]), signals[0].name, state)


@pytest.mark.parametrize(("procedure", "state"), [("voltage-floor", "standing in"), ("charge-ceiling", "tracing")])
def test_a_ups_stopped_in_the_middle(served: Served, procedure: str, state: str, tmp_path: Path) -> None:
    """No switch on this bench: its mains is switched by the simulated person's hands, over the control connection."""
    files = ("--bench", served.told["bench_file"], "--ups", served.told["ups_file"])
    command = (*NIGHTBENCH, "run", procedure, *files, "--out", str(tmp_path), "--json")
    process: subprocess.Popen[str] = subprocess.Popen(command, **AS_A_PERSON)
    until(lambda: begun(tmp_path, state) and served.truth()["mains_on"], process, served.process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 20, err
    assert (served.ask("supply", "OUTP?"), served.ask("load", "INP?")) == ("0", "0")
    now = served.truth()
    assert (now["hooked"], now["supply_on"], now["load_on"], now["mains_on"]) == ("ups", False, False, False)
    assert "Traceback" not in err
    assert json.loads(out)["runs"][0]["outcome"] == "stopped"
    folder = RunFolder.open(json.loads(out)["runs"][0]["folder"])
    assert [e["text"] for e in events(folder) if e["kind"] == "ask"][-1] == "Switch the UPS's mains OFF"


def whole(folder: RunFolder, name: str, state: str) -> None:
    assert folder.outcome() == "stopped"
    rows = samples(folder)
    found = list(rows)
    assert (rows.tail.rows, rows.tail.bytes) == (0, 0), "not even half a row is left over"
    assert [row.state for row in found].count(state) >= ROWS
    assert found[-1].state == state
    assert all(one.elapsed_s <= other.elapsed_s for one, other in itertools.pairwise(found))
    told = list(events(folder))
    assert [event["kind"] for event in told][-3:] == ["stop", "off", "ended"]
    assert told[-3]["text"] == f"stopped by a person ({name})"
    result = json.loads(folder.result_json.read_bytes())
    assert result["rows"] == len(found)
    assert result["off_confirmation"]["confirmed"] is True
    assert not folder.is_on()
    assert not folder.wire_jsonl.exists(), "the exchanges are packed"


# -- a key pressed again when all is over ------------------------------------------------------------------------------

PRESSED_AGAIN = """
import os, signal, sys
import harness.ending, harness.listing, harness.screen
from harness.cli import main

moment, *words = sys.argv[1:]
def press(pid=os.getpid(), kill=os.kill):
    kill(pid, signal.SIGINT)
def first(owner, name):
    plain = getattr(owner, name)
    def pressed(*given, **keys):
        press()
        return plain(*given, **keys)
    setattr(owner, name, pressed)
class Last:
    def __del__(self, press=press):
        press()
first(harness.screen.Screen, "show")
if moment == "as the result is written":
    first(harness.ending, "write_result")
if moment == "as it is told":
    first(harness.listing, "runs_done_document")
if moment == "as the program ends":
    last = Last()
sys.argv[1:] = words
main()  # as a program of its own
"""


@pytest.mark.parametrize("moment", ["as the result is written", "as it is told", "as the program ends"])
def test_a_key_pressed_again_changes_nothing(moment: str, tmp_path: Path) -> None:
    """On a bench in memory, in a process of its own: the first press in mid-run, the second at this moment."""
    files = tmp_path / "files"
    files.mkdir()
    write_files(files)
    words = ("run", "charge", "--bench", str(files / "bench.toml"), "--pack", str(files / "pack.toml"), "--json")
    command = (sys.executable, "-c", PRESSED_AGAIN, moment, *words, "--out", str(tmp_path / "runs"))
    process: subprocess.Popen[str] = subprocess.Popen(command, env=dict(os.environ), **AS_A_PERSON)
    out, err = process.communicate(timeout=PATIENCE_S)
    (folder,) = list_runs(tmp_path / "runs")
    assert folder.outcome() == "stopped"
    assert "Traceback" not in err
    assert "switched nothing on" not in out + err
    assert json.loads(out)["runs"][0]["outcome"] == "stopped"
    assert process.returncode == 20


def write_files(place: Path) -> None:
    from sims.bench import open_bench

    bench = open_bench("porch", now=lambda: 0.0)
    addresses = {name: f"sim:porch/{name}" for name in bench.names}
    (place / "bench.toml").write_text(bench.bench_toml(addresses), encoding="utf-8")
    (place / "pack.toml").write_text(bench.pack_toml(), encoding="utf-8")
