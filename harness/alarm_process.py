"""The process that tells people about a run: it reads the run's folder, and the run knows nothing of it.

    watch FOLDER NAME...      beside a run, until it is over
    test ABOUT NAME...        a test message to each; exit code 1 when one fails

It is started by the run in a session of its own, so that it outlives it and can tell that it died. A failing alarm is
tried again a few times, noted in a log in the state folder, and disturbs nobody.
"""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from harness.alarm_file import Alarm, load_alarms
from harness.alarm_judge import AlarmJudge, Message
from harness.alarm_send import NotSent, send
from harness.clock import Clock, WallClock
from harness.errors import UserError
from harness.folder import RunFolder
from harness.following import Follower
from harness.locks import state_dir
from harness.plain import safe_text, utc_stamp

LOOK_EVERY_S = 2.0
TRIES_AFTER_S = (0.0, 10.0, 60.0, 300.0)
"""A message that did not get out is tried again after so long, s."""

LAST_WORDS_S = 600.0
"""Longest wait at the end for messages that are still being tried, s."""

Send = Callable[[Alarm, Message], None]


class Log:
    """``alarms.log`` in the state folder: what was sent and what was not, one JSON object a line. Never raises."""

    def __init__(self, place: Path | None) -> None:
        self._place = place
        self._lock = threading.Lock()

    def write(self, **fields: object) -> None:
        """One line."""
        line = json.dumps({"utc": utc_stamp(WallClock().utc()), **fields}) + "\n"
        try:
            with self._lock:
                if self._place is not None:
                    with open(self._place, "a", encoding="utf-8") as file:
                        file.write(line)
        except OSError:
            return


class Sender:
    """Sends in threads, one a message and alarm, so that one that hangs holds up no other."""

    def __init__(self, alarms: Sequence[Alarm], *, log: Log, clock: Clock, by: Send = send) -> None:
        self._alarms, self._log, self._clock, self._send = alarms, log, clock, by
        self._threads: list[threading.Thread] = []

    def tell(self, message: Message) -> None:
        """Send ``message`` to every alarm that wants its kind."""
        for alarm in self._alarms:
            if message.kind in alarm.when or message.loud:
                thread = threading.Thread(target=self._try, args=(alarm, message), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _try(self, alarm: Alarm, message: Message) -> None:
        for after_s in TRIES_AFTER_S:
            self._clock.sleep(after_s)
            try:
                self._send(alarm, message)
            except NotSent as error:
                self._log.write(alarm=alarm.name, what=message.kind, title=message.title, sent=False, why=str(error))
                continue
            except Exception as error:  # a fault of ours: the next message may still get out
                self._log.write(alarm=alarm.name, what=message.kind, sent=False, why=type(error).__name__)
                return
            self._log.write(alarm=alarm.name, what=message.kind, title=message.title, sent=True)
            return

    def finish(self) -> None:
        """Wait for what is still being tried."""
        until = self._clock.wall() + LAST_WORDS_S
        for thread in self._threads:
            thread.join(max(0.0, until - self._clock.wall()))


def watch(folder: RunFolder, alarms: Sequence[Alarm], *, log: Log, clock: Clock, by: Send = send) -> None:
    """Look at the run until it is over, and tell what happens."""
    follower, judge = Follower(folder), AlarmJudge(folder.name)
    sender = Sender(alarms, log=log, clock=clock, by=by)
    log.write(run=folder.name, what="watching", alarms=[one.name for one in alarms])
    while not judge.over:
        for message in judge.push(follower.look(), utc=clock.utc(), wall_s=clock.wall()):
            sender.tell(message)
        if not judge.over:
            clock.sleep(LOOK_EVERY_S)
    sender.finish()


def send_tests(alarms: Sequence[Alarm], about: str, *, by: Send = send) -> list[str]:
    """A test message to each at once; words for each that did not get out."""
    failed: dict[str, str] = {}
    message = Message(
        "test", safe_text(f"TEST, all is well: {about}"), "This is how nightbench would tell you of a run."
    )

    def one(alarm: Alarm) -> None:
        try:
            by(alarm, message)
        except NotSent as error:
            failed[alarm.name] = str(error)
        except Exception as error:
            failed[alarm.name] = f"a fault of this program: {type(error).__name__}"

    threads = [threading.Thread(target=one, args=(alarm,), daemon=True) for alarm in alarms]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return [f"alarm {name}: not sent: {why}" for name, why in failed.items()]


def main(words: Sequence[str] | None = None) -> int:
    """What the arguments (those of the program) ask for; the exit code."""
    words = sys.argv[1:] if words is None else words
    try:
        if words[:1] == ["test"]:
            failed = send_tests(load_alarms(tuple(words[2:])), words[1])
            sys.stderr.write("".join(f"{safe_text(line)}\n" for line in failed))
            return 1 if failed else 0
        folder, *names = words[1:]
        watch(RunFolder.open(folder), load_alarms(tuple(names)), log=Log(_log_place()), clock=WallClock())
    except UserError as error:
        Log(_log_place()).write(what="not watching", why=str(error))
        sys.stderr.write(f"{safe_text(str(error))}\n")
        return 2
    return 0


def _log_place() -> Path | None:
    try:
        return state_dir() / "alarms.log"
    except UserError:
        return None
