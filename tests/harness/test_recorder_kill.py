"""A process killed while it writes loses no sample that it had acknowledged."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.folder import INTERRUPTED, RUNNING, RunFolder, list_runs
from harness.jsonlines import events, exchanges
from harness.samplefile import samples
from harness.show import show_text

WRITER = """
import os, sys
from types import SimpleNamespace
from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.recorder import Recorder
from harness.sample import Sample

clock = VirtualClock()
folder = RunFolder.create(sys.argv[1], procedure="capacity", name="cellar", started=clock.utc())
recorder = Recorder(folder, clock=clock, columns=("load_amps",), simulated=True)
talk = SimpleNamespace(name="load", sent=b"MEAS:CURR?", received=b"2.0001", error=None)
for n in range(1_000_000):
    clock.sleep(1.0)
    recorder.exchange(talk)
    recorder.sample(Sample(clock.now(), "2025-01-01T22:00:00.000Z", "discharging", 26.4, 2.0, n / 1800, n / 70, 23.5,
                           {"load_amps": 2.0001}))
    if n % 50 == 0:
        recorder.event("state", state="still here")
    os.write(1, b"%d\\n" % (n + 1))
"""


@pytest.mark.parametrize("after", [1, 2, 137, 500, 2000])
def test_every_acknowledged_row_is_readable_after_a_kill(tmp_path: Path, after: int) -> None:
    runs = tmp_path / "runs"
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(runs)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    seen = 0
    while seen < after:
        seen = int(child.stdout.readline())
    (folder,) = list_runs(runs)
    assert folder.outcome() == RUNNING
    os.kill(child.pid, signal.SIGKILL)
    rest = child.stdout.read().split(b"\n")
    child.stdout.close()
    child.wait()
    acknowledged = max([seen, *(int(line) for line in rest[:-1])])

    reader = samples(folder)
    assert [sample.elapsed_s for sample in reader] == [float(n + 1) for n in range(reader.rows)]
    assert reader.rows >= acknowledged >= after
    assert reader.tail.rows <= 1
    assert len(list(exchanges(folder))) >= acknowledged
    assert len(list(events(folder))) >= 1 + (acknowledged - 1) // 50
    assert folder.outcome() == INTERRUPTED
    assert RunFolder.open(folder.path).outcome() == INTERRUPTED
    page = show_text(folder)
    assert "did not end normally" in page
    assert f"{reader.rows} samples" in page
    assert "SIMULATED" in page
