"""One message to one alarm: through the notification library, or on the standard input of a command.

Raises nothing but ``NotSent``, whose words hold no address: an address is a secret.
"""

from __future__ import annotations

import os
import subprocess

from harness.alarm_file import Alarm
from harness.alarm_judge import Message

COMMAND_MOST_S = 30.0
"""Longest time a command is given, s; then it and what it started are killed."""


class NotSent(Exception):
    """The message did not get out, and why."""


def send(alarm: Alarm, message: Message) -> None:
    """Send it. Raises ``NotSent``."""
    if alarm.command:
        _run(alarm, message)
    else:
        _notify(alarm, message)


def _run(alarm: Alarm, message: Message) -> None:
    # What happened goes in as text, never as a word of the command: a pack's name cannot become an option.
    about = {"NIGHTBENCH_WHAT": message.kind, "NIGHTBENCH_LOUD": "1" if message.loud else "0"}
    said = f"{message.title}\n{message.text}\n".encode("utf-8", "replace")
    try:
        process = subprocess.Popen(
            alarm.command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**os.environ, **about},
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        raise NotSent(f"its command cannot be started: {getattr(error, 'strerror', None) or error}") from error
    try:
        _, told = process.communicate(said, timeout=COMMAND_MOST_S)
    except subprocess.TimeoutExpired as error:
        _kill(process)
        raise NotSent(f"its command was not over after {COMMAND_MOST_S:g} s") from error
    if process.returncode:
        last = told.decode("utf-8", "replace").strip().splitlines()[-1:] or [""]
        raise NotSent(f"its command ended with {process.returncode} {last[0][:200]}".rstrip())


def _kill(process: subprocess.Popen[bytes]) -> None:
    import signal

    try:
        os.killpg(process.pid, signal.SIGKILL)
    except (OSError, AttributeError):
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stderr):
        if pipe is not None:
            pipe.close()


def _notify(alarm: Alarm, message: Message) -> None:
    try:
        import apprise
    except ImportError as error:
        raise NotSent("urls want a package: pip install 'nightbench[notify]'") from error
    kind = apprise.NotifyType.FAILURE if message.loud else apprise.NotifyType.INFO
    way = apprise.Apprise()
    try:
        understood = [way.add(url) for url in alarm.urls]
        sent = all(understood) and way.notify(title=message.title, body=message.text, notify_type=kind)
    except Exception as error:  # a plug-in of another's; its words may hold the address
        raise NotSent(f"the notification library failed ({type(error).__name__})") from None
    if not all(understood):
        raise NotSent(f"address {understood.index(False) + 1} of its urls is not understood")
    if not sent:
        raise NotSent("not every address took it")
