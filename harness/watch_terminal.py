"""``nightbench watch`` in a terminal: redrawn every second; in a pipe plain lines. It only reads the run's folder."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TextIO

from harness.clock import Clock, WallClock
from harness.folder import RunFolder
from harness.following import Follower, Seen
from harness.watching import _BLOCKS, _PLAIN, end_lines, event_line, headline, look_lines, plain_line, silence_words

LOOK_EVERY_S = 1.0
LINE_EVERY_S = 60.0
"""In a pipe: seconds between two lines while nothing happens."""

HOW_TO_STOP = "Ctrl-C ends the watching, not the run. To stop the run: nightbench watch {path} --stop"


def watch_run(
    folder: RunFolder,
    *,
    out: TextIO | None = None,
    clock: Clock | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Seen:
    """Watch until the run is over or ``stopped()``; the last look. Raises ``BrokenPipeError`` when nobody reads."""
    out, clock = out or sys.stdout, clock or WallClock()
    follower = Follower(folder)
    return (_drawn if out.isatty() else _told)(follower, out, clock, stopped)


def _drawn(follower: Follower, out: TextIO, clock: Clock, stopped: Callable[[], bool]) -> Seen:
    from rich.console import Console
    from rich.live import Live as Drawing
    from rich.text import Text

    console = Console(file=out, highlight=False)
    blocks = _BLOCKS if "utf" in (out.encoding or "").lower() else _PLAIN
    path = str(follower.folder.path)
    with Drawing(console=console, auto_refresh=False, transient=False) as drawing:
        while True:
            seen = follower.look()
            width, height = console.size.width, console.size.height
            lines = look_lines(
                seen, name=follower.folder.name, trace=follower.trace, now=clock.utc(), width=width, blocks=blocks
            )
            if seen.is_on:
                lines = [*lines[: max(3, height - 3)], "", HOW_TO_STOP.format(path=path)]
            drawing.update(Text("\n".join(lines), no_wrap=not seen.is_on, overflow="fold"), refresh=True)
            if not seen.is_on or stopped():
                return seen
            clock.sleep(LOOK_EVERY_S, stop=stopped)


def _told(follower: Follower, out: TextIO, clock: Clock, stopped: Callable[[], bool]) -> Seen:
    """Plain lines: at the beginning, when something happens, now and then, at the end."""
    said_s, state, events, silent = -math.inf, "", 0, False
    heard: set[str] = set()

    def say(line: str) -> None:
        out.write(line + "\n")
        out.flush()

    seen = follower.look()
    say(headline(seen, follower.folder.name))
    while True:
        for one in seen.events:
            line = event_line(one)
            if line not in heard:
                heard.add(line)
                if events:
                    say(line)
        events = 1
        words = silence_words(seen, now=clock.utc())
        if words and not silent:
            say(words)
        silent = bool(words)
        now_state = seen.last.state if seen.last is not None else ""
        if seen.is_on and (now_state != state or clock.now() - said_s >= LINE_EVERY_S):
            said_s, state = clock.now(), now_state
            say(plain_line(seen))
        if not seen.is_on or stopped():
            break
        clock.sleep(LOOK_EVERY_S, stop=stopped)
        seen = follower.look()
    for line in (*(f"note: {one}" for one in seen.trouble), *end_lines(seen)):
        say(line)
    return seen


def now_utc() -> datetime:
    """The machine's calendar time."""
    return WallClock().utc().astimezone(UTC)
