"""Alarms of a run, on the run's side: they are tested before it, and a process is started that tells people.

Nothing here waits for a message, save the test before anything is switched on; and nothing here ends a run.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from harness.alarm_file import load_alarms
from harness.clock import Clock, WallClock
from harness.errors import PreflightRefused, Usage
from harness.plain import safe_text
from harness.preflight_check import Check

TEST_MOST_S = 60.0
"""Longest wait for the test messages, s."""

SAME_TEST_S = 12 * 3600.0
"""Runs of one program one after the other, as long as this, s, do with one test message."""

_PROGRAM = "from harness.alarm_process import main; raise SystemExit(main())"
"""Not ``-m``: that would look for modules in the folder in which a person happens to be."""

_started: list[subprocess.Popen[bytes]] = []
_took_it: dict[tuple[str, ...], float] = {}


def _command(*words: str) -> list[str]:
    return [sys.executable, "-P", "-c", _PROGRAM, *words]


def send_tests_now(
    names: tuple[str, ...],
    about: str,
    *,
    stopped: Callable[[], bool] = lambda: False,
    clock: Clock | None = None,
) -> str:
    """Send a test message to each alarm; "" when all got out, else words. Raises ``Usage`` for a file that is wrong."""
    load_alarms(names)
    clock = clock or WallClock()
    until = clock.wall() + TEST_MOST_S
    try:
        process = subprocess.Popen(
            _command("test", about, *names),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
    except OSError as error:
        return f"its process cannot be started ({error.strerror})"
    while True:
        with suppress(subprocess.TimeoutExpired):
            _, told = process.communicate(timeout=0.1)
            break
        if stopped() or clock.wall() > until:
            process.kill()
            process.communicate()
            return "" if stopped() else f"the test messages were not out after {TEST_MOST_S:g} s"
    if process.returncode == 0:
        return ""
    lines = [safe_text(line) for line in told.decode("utf-8", "replace").splitlines() if line.strip()]
    # One line a message; a traceback would be a fault of ours, and its last line says which.
    return "; ".join(lines if process.returncode in (1, 2) else lines[-1:]) or f"ended with {process.returncode}"


def try_before(
    names: tuple[str, ...],
    about: str,
    *,
    unattended: bool,
    say: Callable[[str], None],
    stopped: Callable[[], bool] = lambda: False,
    clock: Clock | None = None,
) -> None:
    """Before anything is switched on each alarm must have taken a test message: ``PreflightRefused`` where the run is
    to be left alone and one has not; else that is said."""
    clock = clock or WallClock()
    if not names or clock.wall() - _took_it.get(names, -SAME_TEST_S) < SAME_TEST_S:
        return
    try:
        why = send_tests_now(names, about, stopped=stopped, clock=clock)
    except Usage as error:
        why = str(error)
    if not why and not stopped():
        _took_it[names] = clock.wall()
    elif why and unattended:
        raise PreflightRefused(
            f"--unattended: alarms: {why}; mend it and try `nightbench alarm --bench FILE`, or take it out of the "
            "bench file's alarms; nothing was switched on"
        )
    elif why:
        say(f"note: alarms: {why}")


def alarm_checks(names: tuple[str, ...], *, unattended: bool) -> Iterator[Check]:
    """Whether what the bench file names is there; without, no run is left alone. Nothing is sent."""
    if not names:
        return
    try:
        found = load_alarms(names)
    except Usage as error:
        yield Check("alarms", "refused" if unattended else "note", str(error))
        return
    words = "; ".join(f"{one.name} tells of {', '.join(one.when)}" for one in found)
    yield Check("alarms", "good", f"{words}; `nightbench alarm` sends a test message")


def alarm_line(names: tuple[str, ...]) -> str:
    """For a plan: who is told."""
    if not names:
        return "  alarms: none named in the bench file: nobody is told of a trip or of the end"
    return f"  alarms: {', '.join(names)}; each gets a test message before anything is switched on"


def start(names: tuple[str, ...], folder: Path, *, say: Callable[[str], None]) -> None:
    """Start the process that tells people about the run in ``folder``; says why where it cannot. Never raises."""
    if not names:
        return
    with suppress(Exception):
        try:
            load_alarms(names)
            # Kept, since it outlives whoever started it; nobody waits for it.
            _started.append(
                subprocess.Popen(
                    _command("watch", str(folder.resolve()), *names),
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                    cwd="/" if sys.platform != "win32" else None,
                )
            )
        except (Usage, OSError) as error:
            say(f"note: alarms: {safe_text(str(error))}; nobody will be told about this run")
