"""Alarms of a run, on the run's side: they are tested before a night, and a process is started that tells people.

Nothing here waits for a message, save the test before anything is switched on; and nothing here ends a run.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from harness.alarm_file import load_alarms
from harness.errors import PreflightRefused, Usage

TEST_MOST_S = 60.0
"""Longest wait for the test messages, s."""

_MODULE = "harness.alarm_process"


def tested(names: tuple[str, ...], about: str) -> str:
    """Send a test message to each alarm; "" when all got out, else words. Raises ``Usage`` for a file that is wrong."""
    load_alarms(names)
    command = [sys.executable, "-m", _MODULE, "test", about, *names]
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=TEST_MOST_S, check=False)
    except subprocess.TimeoutExpired:
        return f"the test messages were not out after {TEST_MOST_S:g} s"
    except OSError as error:
        return f"its process cannot be started ({error.strerror})"
    if done.returncode == 0:
        return ""
    return "; ".join(done.stderr.decode("utf-8", "replace").split("\n")).strip("; ") or f"ended with {done.returncode}"


def refuse_untested(names: tuple[str, ...], about: str) -> None:
    """Before a night: each alarm must have taken its test message. Raises ``PreflightRefused``."""
    try:
        why = tested(names, about) if names else ""
    except Usage as error:
        raise PreflightRefused(f"alarms: {error}; nothing was switched on") from error
    if why:
        raise PreflightRefused(
            f"alarms: {why}; mend it and try `nightbench alarm --bench FILE`, or take it out of the bench file's "
            "alarms; nothing was switched on"
        )


def start(names: tuple[str, ...], folder: Path, *, say: Callable[[str], None]) -> subprocess.Popen[bytes] | None:
    """Start the process that tells people about the run in ``folder``; says why where it cannot. Never raises."""
    if not names:
        return None
    with suppress(Exception):
        try:
            load_alarms(names)
            return subprocess.Popen(
                [sys.executable, "-m", _MODULE, "watch", str(folder.resolve()), *names],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                close_fds=True,
            )
        except (Usage, OSError) as error:
            say(f"note: alarms: {error}; nobody will be told about this run")
    return None
