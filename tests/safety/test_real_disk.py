"""A disk that hangs, once, in a write of the loop or in a sync of the thread beside it, in real processes: the loop
switches off by itself where it can, else its guard does; and what is short is no reason to.

    pytest -n 0 -m slow -s tests/safety/test_real_disk.py
"""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path

import pytest
from guarded import Run, run

from harness.guarding import SILENCE_LEAST_S

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

HANGS = """
import os, sys, threading, time
from pathlib import Path
from harness import durable
from harness.cli import main

what, hang_s, place = "{what}", {hang_s}, Path("{place}")
seen = [0]

def hangs():
    if not (place / "hung").exists() and seen[0] >= 6:
        (place / "hung").write_text(str(time.monotonic()))
        time.sleep(hang_s)
        (place / "over").touch()

append, fsync = durable.AppendFile.append, os.fsync

def slow_append(self, data):
    if self.path.name == "samples.csv":
        seen[0] += 1
        if what == "write":
            hangs()
    append(self, data)

def slow_fsync(descriptor):
    if what == "fsync" and threading.current_thread() is not threading.main_thread():
        hangs()
    fsync(descriptor)

durable.AppendFile.append = slow_append
os.fsync = slow_fsync
main()
"""
"""Stands in the place of the command line. A row under current, and not one before it."""

GOES_ON, BY_LOOP, BY_GUARD = "goes on", "the loop", "the guard"

EXPECTED = {
    # A turn may come 3 s after the last one, a row may be 5 s on its way to the disk, a loop may be silent for 5 s.
    ("write", 0.5): (GOES_ON, 0),
    ("write", 2.0): (GOES_ON, 0),
    ("write", 4.0): (BY_LOOP, 24),
    ("write", 20.0): (BY_GUARD, -signal.SIGKILL),
    ("fsync", 0.5): (GOES_ON, 0),
    ("fsync", 2.0): (GOES_ON, 0),
    ("fsync", 4.0): (GOES_ON, 0),
    ("fsync", 20.0): (BY_LOOP, 25),
}


def hung_at_s(one: Run) -> float:
    one.until((one.place / "hung").exists, "the disk hangs")
    return float((one.place / "hung").read_text())


@pytest.mark.parametrize(("what", "hang_s"), EXPECTED)
def test_a_disk_that_hangs(what: str, hang_s: float, tmp_path: Path) -> None:
    who, code = EXPECTED[what, hang_s]
    place = tmp_path / "it"
    program = HANGS.format(what=what, hang_s=hang_s, place=place)
    with run(place, "capacity", speed=1.0, program=("-c", program)) as one:
        began = hung_at_s(one)
        if who == GOES_ON:
            one.until((place / "over").exists, "the disk goes on")
            time.sleep(3.0)  # a real process: it may have found out late
            assert one.energised()
            one.process.send_signal(signal.SIGINT)
            assert one.ended()[0] == 20
            took_s = 0.0
        else:
            took_s = one.off_within_s(30.0, since=began)
            found, said = one.ended() if who == BY_LOOP else (one.process.wait(timeout=10), "")
            assert found == code, said
        words = [row["what"] for row in one.log()]
    print(f"{hang_s:g} s in {what}: {who}" + (f", off after {took_s:.2f} s" if took_s else ""))
    assert ("acting" in words) is (who == BY_GUARD), words
    if who == BY_GUARD:
        assert took_s <= SILENCE_LEAST_S + 0.6 + 1.0, "from the last beat, which came up to a period earlier"
    elif who == BY_LOOP:
        assert took_s <= {24: hang_s, 25: 5.0}[code] + 1.0 + 1.0, "a period, and a turn"
        (result,) = place.glob("runs/*/result.json")
        assert json.loads(result.read_text())["off_confirmation"]["confirmed"]
