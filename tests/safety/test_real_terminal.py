"""A run at a real terminal whose person stays, leaves, or presses the keys that stop: a process on a pseudo-terminal.

The ten minutes are eight seconds here, and the bench is one that is reached without its own hands. Slow: half a minute
each, real time.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import struct
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from guarded import Control

from harness.folder import list_runs
from harness.jsonlines import events
from sims.serve import serve

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

PROGRAM = """
import harness.interlock_run, harness.presence
harness.presence.ASKED_S, harness.presence.MOST_S = (4.0, 6.0, 7.0), 8.0
harness.interlock_run.NOBODY_MOST_S = 8.0
from harness.cli import main
main(prog_name="nightbench")
"""
SETS = ("charge_first=false", "rest_s=2", "rate_it=0.4")
LONGEST_S = 60.0
COLUMNS = 80
ASKED = b"STILL THERE?"


@contextmanager
def bench(place: Path) -> Iterator[Control]:
    """A bench in real time, with files that do not name its control port."""
    made, stop = serve("porch", speed=1.0), threading.Event()
    thread = threading.Thread(target=made.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()
    text = re.sub(r"\[clock\]\n(?:.+\n)+", "", made.bench_toml())
    (place / "bench.toml").write_text(text, encoding="utf-8")
    (place / "pack.toml").write_text(made.bench.pack_toml(), encoding="utf-8")
    control = Control(made)
    try:
        yield control
    finally:
        control.close()
        stop.set()
        thread.join()
        made.close()


def at_a_terminal(place: Path, hand: Callable[[bytes], bytes]) -> tuple[int, str]:
    """Run there; ``hand`` is told all that was shown so far and gives back the keys that are pressed now. Exit code,
    and what was shown."""
    files = ("--bench", str(place / "bench.toml"), "--pack", str(place / "pack.toml"), "--out", str(place / "runs"))
    command = [sys.executable, "-c", PROGRAM, "run", "capacity", *files]
    command += [word for one in SETS for word in ("--set", one)]
    pid, terminal = pty.fork()
    if pid == 0:
        os.execve(command[0], command, {**os.environ, "NIGHTBENCH_STATE": str(place / "state"), "NO_COLOR": "1"})
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    shown, end = b"", time.monotonic() + LONGEST_S
    try:
        while time.monotonic() < end:
            if select.select([terminal], [], [], 0.05)[0]:
                try:
                    shown += os.read(terminal, 65536)
                except OSError:  # the other end is closed
                    break
            if keys := hand(shown):
                os.write(terminal, keys)
    finally:
        os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), shown.decode("utf-8", "replace")


def when_asked(*keys: bytes) -> Callable[[bytes], bytes]:
    """One answer for each time the key is asked for; then nothing."""
    answered = [0]

    def hand(shown: bytes) -> bytes:
        if answered[0] < min(len(keys), shown.count(ASKED)):
            answered[0] += 1
            return keys[answered[0] - 1]
        return b""

    return hand


KEYS = {
    "leaves": ((b"\n", b"window open\n"), 21, "nobody there: no Enter at the terminal for 8"),
    "presses Ctrl-C": ((b"\n", b"\n", b"\x03"), 20, "(SIGINT)"),
    "presses Ctrl-Z": ((b"\n", b"\x1a"), 20, "(SIGTSTP)"),
}


@pytest.mark.parametrize("who", KEYS)
def test_at_a_real_terminal(who: str, tmp_path: Path) -> None:
    keys, code, words = KEYS[who]
    with bench(tmp_path) as control:
        exit_code, shown = at_a_terminal(tmp_path, when_asked(*keys))
        now = control.truth()
    assert exit_code == code, shown
    assert not now["load_on"]
    assert abs(now["pack_amps"]) < 0.05
    assert words in " ".join(shown.split())
    asked = shown.count("\a")
    lines = [line for part in shown.split("\n") for line in part.replace("\a", "").split("\r")]
    assert max(len(line) for line in lines if str(tmp_path) not in line) <= COLUMNS, "all but paths"
    (folder,) = list_runs(tmp_path / "runs")
    kinds = [event["kind"] for event in events(folder)]
    pressed = sum(one.endswith(b"\n") for one in keys)
    assert kinds.count("present") == pressed == shown.count("heard")
    assert kinds.count("mark") == sum(len(one) > 1 for one in keys)
    assert asked >= len(keys)
    assert json.loads(folder.result_json.read_bytes())["exit_code"] == code
