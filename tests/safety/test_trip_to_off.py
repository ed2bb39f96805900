"""From the sample in which a filter was full to the first order to switch off: at most one period and 0.2 s.

Read off the record: the last sample is the one that ended the run, stamped half-way through its reading; an exchange is
stamped when it is over. In memory in bench time, over ``test_wear.py`` with instruments of several speeds; over TCP
in machine time, bench and run in processes of their own. The distributions are printed (``-s``).
"""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from night import Wires, facts, spend
from test_real_stop import AS_A_PERSON, NIGHTBENCH, PATIENCE_S, Served, begun, until
from test_wear import WORN, Worn, two_wire

from harness.folder import RunFolder, list_runs
from harness.jsonlines import exchanges
from harness.samplefile import samples

PERIOD_S = 1.0
BAR_S = PERIOD_S + 0.2
OFF = (b"OUTP OFF", b"INP OFF")

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


def delay_s(folder: RunFolder) -> float:
    """What the record says of the last trip, s."""
    full_s = [sample.elapsed_s for sample in samples(folder)][-1]
    return (
        min(one.elapsed_s for one in exchanges(folder) if one.sent.strip() in OFF and one.elapsed_s >= full_s) - full_s
    )


def told(what: str, seconds: list[float]) -> None:
    ranked = sorted(seconds)
    shares = [f"{100 * p:g} % {ranked[min(len(ranked) - 1, int(p * len(ranked)))]:.3f}" for p in (0.5, 0.9)]
    print(f"\n{what}: {len(ranked)} trips, {', '.join(shares)}, most {ranked[-1]:.3f} s, limit {BAR_S:g} s")


def test_in_memory(tmp_path: Path) -> None:
    found = []
    for reply_s in (0.0, 0.02, 0.05):
        for one in WORN.values():
            scenario = two_wire(one.short) if one.two_wire else facts(one.short)

            def arrange(wires: Wires, one: Worn = one, reply_s: float = reply_s) -> None:
                one.breaks(wires.bench.wear, one.at_s)
                wires.before = lambda _number, _who, _message: wires.clock.sleep(reply_s)

            night = spend(tmp_path, one.short, arrange=arrange, scenario=scenario)
            assert night.folder is not None, night.refusal
            assert night.exit_code in (21, 23), night.result.end_reason
            found.append(delay_s(night.folder))
    told("in memory, bench time", found)
    assert max(found) <= BAR_S


TRIPS = 12


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    files = tmp_path_factory.mktemp("bench")
    command = (*NIGHTBENCH, "simulate", "porch", "--speed", "1", "--files", str(files), "--json")
    process: subprocess.Popen[str] = subprocess.Popen(command, **AS_A_PERSON)
    assert process.stdout is not None
    yield Served(process, json.loads(process.stdout.readline()))
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=PATIENCE_S)


def test_over_tcp(served: Served, tmp_path: Path) -> None:
    """Somebody lowers the load's own stop: found within 5 s, then off."""
    found = []
    for number in range(TRIPS):
        runs = tmp_path / str(number)
        runs.mkdir()
        words = ("--set", "charge_first=false", "--set", "rest_s=0", "--out", str(runs), "--json")
        command = (*NIGHTBENCH, "run", "capacity", *served.words(), *words)
        process: subprocess.Popen[str] = subprocess.Popen(command, **AS_A_PERSON)
        until(lambda runs=runs: begun(runs, "sinking"), process, served.process)  # type: ignore[misc]
        served.ask("load", "VOLT:PROT:LOW 0;:VOLT:PROT:LOW?")
        _, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 21, err
        (folder,) = list_runs(runs)
        found.append(delay_s(folder))
    told("over TCP, machine time", found)
    assert max(found) <= BAR_S
